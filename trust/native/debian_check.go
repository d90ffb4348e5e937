package native

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"sort"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// ruinous are the faults by which one block of a bundle costs readers others
// than itself (measured; the harm is told by root.Scan).
var ruinous = []string{"utf-16", "glued", "cr-only", "headers", "blank-lines", "markers-differ", "no-padding",
	"truncated", "bad-base64", "no-der", "no-content", "trailing-bytes", "private-key", "csr", "empty", "nul-bytes"}

// verify judges a staged store: every root that comes in is there once and can
// be looked up, every one that goes is gone, and nothing spoils it for a
// reader.
func (st *stage) verify(t *target) error {
	if st.bundle.err != nil {
		return fmt.Errorf("the staged refresh made no bundle: %w%s", st.bundle.err, st.said())
	}
	for _, f := range st.bundle.faults {
		if slices.Contains(ruinous, f.Code) {
			return fmt.Errorf("the staged bundle is bad in line %d: %s: %s%s", f.Line, f.What, f.Harm, t.blame(f.Code))
		}
	}
	if !endsLines(st.bundle.data) {
		return errors.New("in the staged bundle an END line does not end its line")
	}
	count := map[root.Fingerprint]int{}
	for _, b := range st.bundle.blocks {
		count[b.Fingerprint]++
	}
	var errs []error
	for _, w := range sorted(t.in) {
		fp := w.root.Fingerprint
		if n := count[fp]; n != 1 {
			errs = append(errs, fmt.Errorf("root %s stands %d times in the staged bundle, not once%s", fp.Short(), n, st.said()))
		}
		if f := t.via(fp); f == nil || !st.meets(fp, w.hash) {
			errs = append(errs, fmt.Errorf("root %s cannot be looked up in the staged links", fp.Short()))
		}
	}
	for _, w := range sorted(t.out) {
		fp := w.root.Fingerprint
		if count[fp] > 0 || st.meets(fp, w.hash) {
			errs = append(errs, fmt.Errorf("root %s is still in the staged store%s", fp.Short(), st.said()))
		}
	}
	return errors.Join(errs...)
}

// said quotes what the tool had to say, behind what it made.
func (st *stage) said() string {
	if len(st.notes) == 0 {
		return ""
	}
	return "; " + st.notes[len(st.notes)-1]
}

// blame names a file of the vendor's folder with the same fault: local files
// went in clean.
func (t *target) blame(code string) string {
	for _, f := range t.files {
		for _, x := range f.faults {
			if f.vendor != "" && x.Code == code {
				return "; it comes from " + f.path + ": reinstall the package that it belongs to, or deselect it in " + t.s.d.Conf
			}
		}
	}
	return ""
}

// meets reports whether a lookup by hash finds a root.
func (ls links) meets(fp root.Fingerprint, hash string) bool {
	met, _ := ls.chain(hash)
	return slices.ContainsFunc(met, func(l *link) bool { return l.has(fp) })
}

func (st *stage) meets(fp root.Fingerprint, hash string) bool { return st.links.meets(fp, hash) }

// endsLines reports whether every END marker ends its line: glued blocks are
// what breaks readers when a file has no final line end.
func endsLines(data []byte) bool {
	mark := []byte("-----END CERTIFICATE-----")
	for rest := data; ; {
		i := bytes.Index(rest, mark)
		if i < 0 {
			return true
		}
		rest = rest[i+len(mark):]
		line, _, ended := bytes.Cut(rest, []byte("\n"))
		if !ended || len(bytes.TrimSpace(line)) > 0 {
			return false
		}
	}
}

// leaving lists the roots that the live bundle has and the staged one has not,
// but for those of the batch.
func (st *stage) leaving(t *target) []trust.Leaving {
	there := map[root.Fingerprint]bool{}
	for _, b := range st.bundle.blocks {
		there[b.Fingerprint] = true
	}
	snap := t.s.snapshot()
	var out []trust.Leaving
	for _, b := range t.s.bundle.blocks {
		fp := b.Fingerprint
		if _, ours := t.out[fp]; there[fp] || ours {
			continue
		}
		there[fp] = true
		out = append(out, trust.Leaving{Entry: snap.Entries[fp], Explained: t.explain(fp)})
	}
	sort.Slice(out, func(i, j int) bool {
		return bytes.Compare(out[i].Entry.Fingerprint[:], out[j].Entry.Fingerprint[:]) < 0
	})
	return out
}

// entering lists in words the roots that the staged bundle has and the live one
// has not, but for those of the batch: what somebody put into the source and
// nothing has compiled yet comes in with any refresh, ours or the platform's.
func (st *stage) entering(t *target) []string {
	live := map[root.Fingerprint]bool{}
	for _, b := range t.s.bundle.blocks {
		live[b.Fingerprint] = true
	}
	var notes []string
	for _, b := range st.bundle.blocks {
		fp := b.Fingerprint
		if _, wanted := t.in[fp]; wanted || live[fp] {
			continue
		}
		from := "its source"
		for _, f := range t.files {
			if f.has(fp) {
				from = f.path
				break
			}
		}
		notes = append(notes, fmt.Sprintf("%s comes into the bundle with this refresh, though no policy names it: somebody put it into %s", fp.Short(), from))
	}
	return notes
}

// explain says why a root leaves, where somebody wanted it so. A root whose
// file is there, or that the vendor's folder has while conf selects nothing,
// leaves by no one's will.
func (t *target) explain(fp root.Fingerprint) string {
	for _, f := range t.s.refused {
		if f.has(fp) && !t.selected(fp) {
			return fmt.Sprintf("it is deselected in %s (%s)", t.s.d.Conf, f.vendor)
		}
	}
	return ""
}

func (t *target) selected(fp root.Fingerprint) bool {
	return slices.ContainsFunc(t.files, func(f *source) bool { return f.has(fp) })
}

// orphan reports a root that no file holds, as far as that can be told.
func (t *target) orphan(fp root.Fingerprint) bool {
	return !t.selected(fp) && t.s.confErr == nil && !t.s.none() && t.s.walkErr == nil &&
		!slices.ContainsFunc(t.s.refused, func(f *source) bool { return f.has(fp) })
}
