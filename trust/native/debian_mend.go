package native

import (
	"fmt"
	"path"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// What others can do to a compiled store, and the platform does not put right
// by itself (measured with ca-certificates 20230311): a bundle that two runs
// doubled, and what a run left that died, stay until the next run; links that it
// did not make before it died are made only when something is added or removed.
// A refresh of ours puts these right, and the faults say so (Mend).

// enforceNext is what to do about a fault that a refresh of ours puts right.
const enforceNext = "sudo anchorhold enforce"

// miscounted tells what stands too often in the bundle. The tool copies the vendor's files as they
// are, so a root may stand as often as they have it.
func (b *builder) miscounted(held map[root.Fingerprint]int) []trust.Fault {
	brought := map[root.Fingerprint]int{}
	for _, f := range b.s.files {
		for _, blk := range f.blocks {
			if f.vendor != "" {
				brought[blk.Fingerprint]++
			}
		}
	}
	var out []trust.Fault
	often := 0
	for fp, n := range held {
		if n > max(1, brought[fp]) {
			often++
		}
	}
	if often > 0 {
		out = append(out, trust.Fault{Code: "repeated", Path: b.s.bundle.path, What: several(often, "certificate stands", "certificates stand") + " in it more often than once",
			Harm: "a refresh that died, or two at once, made it", Next: enforceNext, Mend: true})
	}
	return out
}

func several(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// packaged lists the selected files of packages that hold one root each.
func (s *state) packaged() []*source {
	var all []*source
	for _, f := range s.files {
		if f.origin == trust.FromPackage && f.err == nil && len(f.blocks) == 1 {
			all = append(all, f)
		}
	}
	return all
}

// unlinked lists the files of packages whose root no lookup by hash meets,
// although the tool would have made the links: it has a hash, and no later file
// takes its name.
func (s *state) unlinked(ls links, met func(*source) bool) []*source {
	last := map[string]*source{}
	for _, f := range s.files {
		last[f.pem] = f
	}
	var all []*source
	for _, f := range s.packaged() {
		if last[f.pem] != f || unnameable(f.path) || met(f) {
			continue
		}
		if l := ls.names[f.pem]; s.hashOf(f) == "" || l != nil && l.plain() {
			continue
		}
		all = append(all, f)
	}
	return all
}

func (s *state) hashOf(f *source) string {
	if h := s.links.hashes[f.blocks[0].Fingerprint]; h != "" {
		return h
	}
	return subjectHash(f.blocks[0].DER)
}

// notLinked tells how many those are; lookups has found what is met.
func (n *named) notLinked() []trust.Fault {
	return n.unlinked(len(n.s.unlinked(n.s.links, func(f *source) bool { return n.held[f.blocks[0].Fingerprint] })))
}

func (b *builder) unlinked(n int) []trust.Fault {
	if n == 0 {
		return nil
	}
	return []trust.Fault{{Code: "not-linked", Path: b.s.links.dir, What: several(n, "root", "roots") + " of the distribution cannot be looked up by hash",
		Harm: "programs that read this folder alone do not trust them; a refresh died before it made the links", Next: enforceNext, Mend: true}}
}

// mend makes the links that unlinked lists.
func (b *board) mend() {
	meets := func(f *source) bool { return b.meets(f.blocks[0].Fingerprint, b.t.s.hashOf(f)) }
	for _, f := range b.t.s.unlinked(b.links, meets) {
		if !slices.Contains(b.t.files, f) || b.t.out[f.blocks[0].Fingerprint].hash != "" {
			continue
		}
		hash := b.t.s.hashOf(f)
		if was := b.names[f.pem]; was == nil || was.target != f.path {
			b.set(f.pem, f.path, f.content)
		}
		b.refresh()
		met, _ := b.chain(hash)
		if !slices.ContainsFunc(met, func(l *link) bool { return l.has(f.blocks[0].Fingerprint) }) {
			b.set(fmt.Sprintf("%s.%d", hash, len(met)), f.pem, f.content)
		}
		b.compact(hash)
	}
}

// uncompiled tells of files that somebody put in and that no refresh has taken
// since. Whether they are to count is for that person to say.
func (b *builder) uncompiled() []trust.Fault {
	var names []string
	for _, f := range b.s.files {
		if f.origin != trust.FromLocal || f.err != nil || len(f.blocks) == 0 || path.Base(f.path) == ownName(f.blocks[0].Fingerprint)+".crt" {
			continue
		}
		if !b.s.bundle.has(f.blocks[0].Fingerprint) {
			names = append(names, f.path)
		}
	}
	if len(names) == 0 || b.s.bundle.err != nil {
		return nil
	}
	return []trust.Fault{{Code: "not-compiled", Path: names[0], What: several(len(names), "file holds a root that the bundle lacks", "files hold roots that the bundle lacks"),
		Harm: "few programs trust them yet; the next refresh, whoever starts it, takes them in",
		Next: "ask who put them there; " + b.s.d.Tool + " takes them in, removing the files keeps them out"}}
}

// javaOdds tells in what Java's store differs from the rest. That is reported
// and left alone: an administrator may have wanted it so, and which of the two
// is right cannot be told.
func (b *builder) javaOdds() []trust.Fault {
	s := b.s
	if !s.javaUse || len(s.java.blocks) == 0 {
		return nil
	}
	there, known := map[root.Fingerprint]bool{}, map[root.Fingerprint]bool{}
	for _, blk := range s.java.blocks {
		there[blk.Fingerprint] = true
	}
	for _, f := range s.files {
		for _, blk := range f.blocks {
			known[blk.Fingerprint] = true
		}
	}
	lacks, forgets := 0, 0
	for _, f := range s.packaged() {
		if !there[f.blocks[0].Fingerprint] {
			lacks++
		}
	}
	for _, blk := range s.java.blocks {
		if strings.HasPrefix(blk.Alias, javaPrefix) && !known[blk.Fingerprint] {
			forgets++
		}
	}
	var out []trust.Fault
	if lacks > 0 {
		out = append(out, trust.Fault{Code: "java-lacks", Path: s.java.path, What: several(lacks, "root of the distribution is", "roots of the distribution are") + " missing in it",
			Harm: "Java does not trust servers below them; somebody took them out, or a refresh died before its hooks",
			Next: "if nobody wanted that: move the file away and run " + s.d.Tool + " --fresh, which makes it anew without what was put in by hand"})
	}
	if forgets > 0 {
		out = append(out, trust.Fault{Code: "java-keeps", Path: s.java.path, What: several(forgets, "root in it comes from a file that is gone", "roots in it come from files that are gone"),
			Harm: "Java goes on trusting them: the platform's refresh takes nothing out of Java's store",
			Next: "retire them by the policy, or take them out with keytool -delete"})
	}
	return out
}
