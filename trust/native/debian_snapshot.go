package native

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// snapshot tells what was read in the words of the contract.
func (s *state) snapshot() trust.Snapshot {
	b := &builder{s: s, entries: map[root.Fingerprint]*trust.Entry{}, selected: map[root.Fingerprint]*source{}}
	snap := trust.Snapshot{
		Store:  s.d.ID(),
		Parts:  []trust.Part{b.source(), b.bundle(), b.java(), b.links()}, // links last: its dangling names belong to what the others hold
		Faults: s.faults,
	}
	snap.Parts[2], snap.Parts[3] = snap.Parts[3], snap.Parts[2]
	for _, f := range s.refused {
		for _, blk := range f.blocks {
			b.entry(blk).Blocked = true
		}
	}
	snap.Entries = make(map[root.Fingerprint]trust.Entry, len(b.entries))
	for fp, e := range b.entries {
		snap.Entries[fp] = *e
	}
	return snap
}

// builder gathers entries part by part.
type builder struct {
	s        *state
	entries  map[root.Fingerprint]*trust.Entry
	selected map[root.Fingerprint]*source // where a root comes from, a package's file first
}

func (b *builder) entry(blk root.Block) *trust.Entry {
	e := b.entries[blk.Fingerprint]
	if e == nil {
		e = &trust.Entry{Fingerprint: blk.Fingerprint, DER: blk.DER}
		b.entries[blk.Fingerprint] = e
	}
	return e
}

func (b *builder) add(blk root.Block, l trust.Location) {
	e := b.entry(blk)
	e.Locations = append(e.Locations, l)
}

// from fills in whence a copy in a compiled part comes: from the file that is
// selected now, or else from somebody of this machine.
func (b *builder) from(fp root.Fingerprint, l trust.Location) trust.Location {
	l.Origin = trust.FromLocal
	if f := b.selected[fp]; f != nil {
		l.Origin, l.Package = f.origin, f.pkg
	}
	return l
}

func (b *builder) source() trust.Part {
	d := b.s.d
	p := trust.Part{Name: partSource, Kind: trust.Source, Path: d.Local, Present: true}
	if b.s.confErr != nil && !errors.Is(b.s.confErr, fs.ErrNotExist) {
		p.Unread = cause(b.s.confErr)
	}
	if b.s.walkErr != nil {
		p.Unread = cause(b.s.walkErr)
	}
	held := map[root.Fingerprint]bool{}
	owner := map[string]*source{}
	for _, f := range b.s.files {
		if f.missing {
			p.Faults = append(p.Faults, trust.Fault{Code: "listed-and-missing", Path: f.path, What: "it is listed in " + d.Conf + " and not there",
				Next: "remove the line, or bring the file back with the package that it came from"})
			continue
		}
		if f.err != nil {
			p.Unread = cause(f.err)
			continue
		}
		p.Faults = append(p.Faults, b.whose(f, faults(f.path, f.content))...)
		if unnameable(f.path) && f.vendor == "" {
			p.Faults = append(p.Faults, trust.Fault{Code: "unnameable", Path: f.path, What: "its name holds a line end or a backslash",
				Harm: "the platform's refresh stops at it and changes nothing, whoever starts it", Next: "rename the file"})
		}
		p.Faults = append(p.Faults, b.exposed(f)...)
		if first := owner[f.pem]; first != nil && first.path != f.path {
			p.Faults = append(p.Faults, trust.Fault{Code: "same-link", Path: f.path, What: "its link has the same name as that of " + first.path + ": " + f.pem,
				Harm: "only the last one stays in the folder of links and in Java's store", Next: "rename one of the two files"})
		}
		owner[f.pem] = f
		for _, blk := range f.blocks {
			held[blk.Fingerprint] = true
			if was := b.selected[blk.Fingerprint]; was == nil || was.origin != trust.FromPackage {
				b.selected[blk.Fingerprint] = f
			}
			b.add(blk, trust.Location{Part: partSource, Path: f.path, Origin: f.origin, Package: f.pkg, Blocked: f.blocked, Shared: f.shared(),
				Named: f.vendor == "" && path.Base(f.path) == ownName(blk.Fingerprint)+".crt"})
		}
	}
	p.Faults = append(p.Faults, b.uncompiled()...)
	p.Count = len(held)
	return p
}

func (b *builder) bundle() trust.Part {
	c := b.s.bundle
	p := trust.Part{Name: partBundle, Kind: trust.Compiled, Path: c.path, Present: true, Blocked: c.blocked}
	if c.err != nil && !errors.Is(c.err, fs.ErrNotExist) {
		p.Unread = cause(c.err)
		return p
	}
	if c.err != nil {
		p.Faults = append(p.Faults, trust.Fault{Code: "no-bundle", Path: c.path, What: "it is missing",
			Harm: "most programs of this machine trust nobody", Next: "enforce a policy, or run " + b.s.d.Tool})
		return p
	}
	p.Faults = faults(c.path, c)
	held := map[root.Fingerprint]int{}
	for _, blk := range c.blocks {
		if held[blk.Fingerprint]++; held[blk.Fingerprint] == 1 {
			b.add(blk, b.from(blk.Fingerprint, trust.Location{Part: partBundle, Path: c.path}))
		}
	}
	p.Count, p.Ruined = len(held), b.ruined(c, held)
	p.Faults = append(p.Faults, b.miscounted(held)...)
	return p
}

func (b *builder) java() trust.Part {
	c := b.s.java
	p := trust.Part{Name: partJava, Kind: trust.Compiled, Path: c.path, Present: b.s.javaUse, Blocked: c.blocked}
	gone := errors.Is(c.err, fs.ErrNotExist)
	if c.err != nil && !gone {
		p.Unread = cause(c.err)
		return p
	}
	if gone {
		return p
	}
	if !b.s.javaUse {
		p.Faults = append(p.Faults, trust.Fault{Code: "java-by-hand", Path: c.path, What: "Java's store is not kept: " + b.s.javaOff,
			Harm: "Java trusts what lies in it, whatever the policy says", Next: "keep it by hand, or let the platform keep it"})
	}
	p.Faults = append(p.Faults, b.s.mendable(faults(c.path, c))...)
	p.Faults = append(p.Faults, b.javaOdds()...)
	switch {
	case b.s.shutJava():
		p.Opaque = c.faults[0].What // to Java as well
	case len(c.blocks) == 0 && c.torn():
		p.Unread = c.faults[0].What // until the next refresh puts it back
	}
	held := map[root.Fingerprint]bool{}
	for _, blk := range c.blocks {
		held[blk.Fingerprint] = true
		b.add(blk, b.from(blk.Fingerprint, trust.Location{Part: partJava, Path: c.path + "#" + blk.Alias}))
	}
	p.Count = len(held)
	return p
}

// faults tells a file's faults in the words of the contract.
func faults(name string, c *content) []trust.Fault {
	var out []trust.Fault
	for _, f := range c.faults {
		what := f.What
		if f.Line > 0 {
			what = fmt.Sprintf("line %d: %s", f.Line, f.What)
		}
		next := "replace the file with the certificate alone, as PEM, or remove it"
		switch f.Code {
		case "private-key":
			next = "take the key out of this machine's trust store at once, and have its owner decide about a new one"
		case "pkcs12-store":
			next = "keytool -importkeystore -srckeystore " + name + " -destkeystore " + name + ".jks -deststoretype JKS -deststorepass changeit, then mv " + name + ".jks " + name + "; or move it away, and the platform makes it anew"
		}
		out = append(out, trust.Fault{Code: f.Code, Path: name, What: what, Harm: f.Harm, Next: next})
	}
	return out
}

func cause(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}

func (b *builder) links() trust.Part {
	ls := b.s.links
	p := trust.Part{Name: partLinks, Kind: trust.Compiled, Path: ls.dir, Present: true, Blocked: ls.blocked}
	if errors.Is(ls.err, fs.ErrNotExist) {
		return p
	}
	if ls.err != nil {
		p.Unread = cause(ls.err)
		return p
	}
	n := &named{builder: b, part: &p, seen: map[copyOf]bool{}, held: map[root.Fingerprint]bool{}}
	n.lookups()
	n.others()
	n.dangling()
	p.Faults = append(p.Faults, n.notLinked()...)
	p.Count = len(n.held)
	return p
}

// named works through the names of the folder of links.
type named struct {
	*builder
	part *trust.Part
	seen map[copyOf]bool
	held map[root.Fingerprint]bool
}

// copyOf is one certificate in one file.
type copyOf struct {
	path string
	fp   root.Fingerprint
}

// lookups tells what a lookup by hash meets.
func (n *named) lookups() {
	ls := n.s.links
	chains := ls.chains()
	for _, l := range ls.sorted() {
		if l.n != 0 || !l.numbered() {
			continue
		}
		met, lost := split(chains[l.hash])
		for _, l := range met {
			n.found(l, "")
		}
		for _, l := range lost {
			if !l.gone {
				n.found(l, fmt.Sprintf("a lookup stops before it, at the missing %s.%d", l.hash, len(met)))
			}
		}
	}
}

// found tells the certificates behind one name of the lookup.
func (n *named) found(l *link, idle string) {
	for _, blk := range l.blocks {
		key := copyOf{l.final, blk.Fingerprint}
		if n.seen[key] || n.s.links.hashes[blk.Fingerprint] != l.hash {
			continue
		}
		n.seen[key] = true
		n.held[blk.Fingerprint] = n.held[blk.Fingerprint] || idle == ""
		n.add(blk, n.at(l, blk.Fingerprint, idle))
	}
}

func (n *named) at(l *link, fp root.Fingerprint, idle string) trust.Location {
	at := trust.Location{Part: partLinks, Path: path.Join(n.s.links.dir, l.name), Blocked: l.blocked, Idle: idle, Shared: l.shared()}
	if l.plain() {
		at.Origin = trust.FromLocal
		return at
	}
	for _, f := range n.s.files {
		if f.path == l.final {
			at.Origin, at.Package = f.origin, f.pkg
			return at
		}
	}
	return n.from(fp, at)
}

// others tells copies that no lookup meets: Go alone reads them.
func (n *named) others() {
	for _, l := range n.s.links.sorted() {
		if l.gone || l.content == nil {
			continue
		}
		if l.plain() && takenByName(l.name) {
			n.part.Faults = append(n.part.Faults, faults(l.final, l.content)...)
		}
		for _, blk := range l.blocks {
			key := copyOf{l.final, blk.Fingerprint}
			if n.seen[key] {
				continue
			}
			n.seen[key] = true
			n.add(blk, n.at(l, blk.Fingerprint, "no name made of its subject's hash leads to it"))
		}
	}
}

// takenByName reports the extensions that 'openssl rehash' takes.
func takenByName(name string) bool {
	return slices.Contains([]string{".pem", ".crt", ".cer", ".crl"}, path.Ext(name))
}

// dangling finds whose the names are behind which nothing can be read: links
// into nothing, and files that this observer may not open.
func (n *named) dangling() {
	byHash := map[string][]root.Fingerprint{}
	for fp, e := range n.entries {
		if !n.wanting(e) {
			continue
		}
		if h := subjectHash(e.DER); h != "" {
			byHash[h] = append(byHash[h], fp)
		}
	}
	orphans := 0
	for _, l := range n.s.links.sorted() {
		shut := l.content != nil && l.err != nil && !l.gone
		if !l.gone && !shut {
			continue
		}
		owners := byHash[l.hash]
		if l.hash == "" {
			owners = n.namesakes(l.name, byHash)
		}
		if shut && l.hash == "" {
			continue // its lookup name tells
		}
		for _, fp := range owners {
			at := trust.Location{Part: partLinks, Path: path.Join(n.s.links.dir, l.name), Dangling: l.gone}
			if shut {
				at.Blocked = l.blocked
			}
			e := n.entries[fp]
			e.Locations = append(e.Locations, n.from(fp, at))
		}
		if len(owners) == 0 {
			orphans++
		}
	}
	if orphans > 0 {
		n.part.Faults = append(n.part.Faults, trust.Fault{Code: "dangling", Path: n.s.links.dir,
			What: fmt.Sprintf("%d names lead to no file that can be read", orphans), Harm: "none but confusion",
			Next: "'" + n.s.d.Tool + " --fresh' clears them"})
	}
}

// wanting reports an entry that no lookup meets.
func (n *named) wanting(e *trust.Entry) bool {
	return !n.held[e.Fingerprint] && len(e.Locations) > 0
}

// namesakes finds the roots to which a name belongs that is no hash: one that
// we gave, one by which a dangling lookup goes, or one that Java still has.
func (n *named) namesakes(name string, byHash map[string][]root.Fingerprint) []root.Fingerprint {
	for fp := range n.entries {
		if name == ownName(fp)+".pem" {
			return []root.Fingerprint{fp}
		}
	}
	for _, l := range n.s.links.names {
		if l.hash != "" && l.target == name && len(byHash[l.hash]) > 0 {
			return byHash[l.hash]
		}
	}
	for _, blk := range n.s.java.blocks {
		if e := n.entries[blk.Fingerprint]; e != nil && n.wanting(e) && strings.EqualFold(blk.Alias, javaPrefix+name) {
			return []root.Fingerprint{blk.Fingerprint}
		}
	}
	return nil
}

// ownName is how the files and links are called that anchorhold makes.
func ownName(fp root.Fingerprint) string { return "anchorhold-" + fp.String()[:32] }

// javaPrefix begins the aliases that the hook of ca-certificates-java makes.
const javaPrefix = "debian:"
