package native

import (
	"bytes"
	"context"
	"encoding/pem"
	"fmt"
	"path"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// target is what a batch means for a store: worked out on a state, without
// touching anything.
type target struct {
	s       *state
	batch   []trust.Change
	failed  map[int]error
	notes   map[int][]string
	conf    conf                                 // as it will be
	write   map[string][]byte                    // files of our own, by name within Local
	cut     map[string]map[root.Fingerprint]bool // what goes from which file, by path
	keep    map[string][]byte                    // what stays of a cut file; none: the file goes
	in, out map[root.Fingerprint]wanted
	files   []*source // what the tool will take, own new files included
}

// wanted is one root that must be in the store, or gone.
type wanted struct {
	change int
	root   trust.Root
	hash   string
}

// plan works a batch out.
func (s *state) plan(ctx context.Context, batch []trust.Change) *target {
	t := &target{s: s, batch: batch, failed: map[int]error{}, notes: map[int][]string{}, conf: s.conf,
		write: map[string][]byte{}, cut: map[string]map[root.Fingerprint]bool{}, keep: map[string][]byte{},
		in: map[root.Fingerprint]wanted{}, out: map[root.Fingerprint]wanted{}}
	for _, op := range []trust.Op{trust.Unblock, trust.Block, trust.Withdraw} { // what comes in follows what is selected
		t.each(op, t.prepare)
	}
	for i, c := range batch {
		if err := t.check(c); err != nil {
			t.failed[i] = err
		}
	}
	t.forget()
	t.takeStock()
	t.each(trust.Place, t.place)
	t.forget()
	t.order()
	return t
}

func (t *target) each(op trust.Op, f func(i int, c trust.Change) error) {
	for i, c := range t.batch {
		if c.Op != op || t.check(c) != nil {
			continue
		}
		if err := f(i, c); err != nil {
			t.failed[i] = err
		}
	}
}

func (t *target) check(c trust.Change) error {
	if err := c.Check(); err != nil {
		return err
	}
	if c.Store != t.s.d.ID() {
		return fmt.Errorf("cannot %s: this is store %s", c, t.s.d.ID())
	}
	for _, o := range t.batch {
		if o.Root.Fingerprint == c.Root.Fingerprint && brings(o.Op) != brings(c.Op) {
			return fmt.Errorf("cannot %s: the same batch wants to %s it", c, o.Op)
		}
	}
	return nil
}

func brings(op trust.Op) bool { return op == trust.Place || op == trust.Unblock }

func (t *target) want(i int, c trust.Change) wanted {
	w := wanted{change: i, root: c.Root}
	if w.root.DER == nil {
		w.root.DER = t.s.der(c.Root.Fingerprint)
	}
	w.hash = t.s.links.hashes[c.Root.Fingerprint]
	if w.hash == "" && w.root.DER != nil {
		w.hash = subjectHash(w.root.DER)
	}
	return w
}

// der finds a root's certificate wherever the store has it.
func (s *state) der(fp root.Fingerprint) []byte {
	all := []*content{s.bundle, s.java}
	all = append(all, s.links.contents...)
	for _, f := range slices.Concat(s.files, s.refused) {
		all = append(all, f.content)
	}
	for _, c := range all {
		for _, b := range c.blocks {
			if b.Fingerprint == fp {
				return b.DER
			}
		}
	}
	return nil
}

func (t *target) prepare(i int, c trust.Change) error {
	fp := c.Root.Fingerprint
	switch c.Op {
	case trust.Unblock:
		t.in[fp] = t.want(i, c)
		var found bool
		for _, f := range t.s.refused {
			if f.has(fp) {
				t.conf, found = parseConf(t.conf.choose(f.vendor)), true
			}
		}
		for _, f := range t.s.files { // a run died after it had selected the file
			found = found || f.vendor != "" && f.has(fp)
		}
		if !found {
			delete(t.in, fp)
			t.note(i, "nothing in "+t.s.d.Conf+" refuses it")
		}
		return nil
	case trust.Withdraw:
		for _, f := range t.s.files {
			if f.origin == trust.FromPackage && f.has(fp) {
				return fmt.Errorf("cannot %s: package %s brings it in %s and would bring it back; distrust it instead", c, f.pkg, f.path)
			}
		}
	}
	t.out[fp] = t.want(i, c)
	for _, f := range t.s.files {
		if f.vendor != "" || !f.has(fp) {
			continue
		}
		if f.folder {
			return fmt.Errorf("cannot %s: its copy %s lies behind a linked folder, outside the store; take it out of there by hand", c, f.path)
		}
		t.cutOut(f.path, fp)
	}
	for _, f := range t.s.files {
		if f.vendor == "" || !f.has(fp) {
			continue
		}
		t.conf = parseConf(t.conf.deselect(f.vendor))
		if c.Op == trust.Withdraw {
			t.note(i, f.path+" belongs to no package; it is deselected in "+t.s.d.Conf+" and stays where it is")
		}
	}
	if c.Op == trust.Block {
		t.refuse(c)
	}
	for _, l := range t.s.links.names {
		if l.plain() && l.content.has(fp) {
			t.cutOut(l.final, fp)
		}
	}
	return nil
}

// refuse deselects files of the vendor's folder that no line of conf names, so
// that nothing selects them later.
func (t *target) refuse(c trust.Change) {
	d := t.s.d
	w := localWalk{d: d}
	w.folder(d.Vendor, false, nil)
	known := map[string]bool{}
	for _, f := range slices.Concat(t.s.files, t.s.refused) {
		known[f.path] = true
	}
	var unnamed []*source
	for _, f := range w.found {
		if !known[f.path] && !unnameable(f.path) {
			unnamed = append(unnamed, f)
		}
	}
	each(len(unnamed), func(i int) { unnamed[i].content = d.load(unnamed[i].path, maxSource) })
	for _, f := range unnamed {
		if f.has(c.Root.Fingerprint) {
			t.conf = parseConf(t.conf.deselect(strings.TrimPrefix(f.path, d.Vendor+"/")))
		}
	}
}

func (t *target) cutOut(name string, fp root.Fingerprint) {
	if t.cut[name] == nil {
		t.cut[name] = map[root.Fingerprint]bool{}
	}
	t.cut[name][fp] = true
}

func (t *target) note(i int, text string) { t.notes[i] = append(t.notes[i], text) }

// takeStock lists the files that the tool will take, before anything of ours.
func (t *target) takeStock() {
	byName := map[string]*source{}
	for _, f := range slices.Concat(t.s.files, t.s.refused) {
		byName[f.path] = f
	}
	t.files = nil
	for _, name := range t.conf.selected() {
		if f := byName[path.Join(t.s.d.Vendor, name)]; f != nil && !f.missing {
			t.files = append(t.files, f)
		}
	}
	for _, f := range t.s.files {
		if f.vendor != "" {
			continue
		}
		if gone := t.cut[f.path]; gone != nil {
			rest := without(f.content, gone)
			if rest == nil {
				continue
			}
			c := &content{path: f.path, data: rest, mode: f.mode, blocked: f.blocked}
			c.blocks, c.faults = root.Scan(rest)
			copied := *f
			copied.content, f = c, &copied
		}
		t.files = append(t.files, f)
	}
}

// without returns a file's bytes without the blocks of some roots, or nil when
// no certificate is left.
func without(c *content, gone map[root.Fingerprint]bool) []byte {
	var out []byte
	at, left := 0, false
	for _, b := range c.blocks {
		if !gone[b.Fingerprint] {
			left = true
			continue
		}
		out = append(out, c.data[at:b.Start]...)
		at = b.End
	}
	if !left {
		return nil
	}
	return append(out, c.data[at:]...)
}

// place decides whether a root needs a file of our own.
func (t *target) place(i int, c trust.Change) error {
	fp := c.Root.Fingerprint
	cert, err := root.Parse(c.Root.DER)
	if err != nil {
		return fmt.Errorf("cannot %s: %w", c, err)
	}
	if cert.Fingerprint() != fp {
		return fmt.Errorf("cannot %s: %d bytes follow the certificate", c, cert.Trailing)
	}
	t.in[fp] = t.want(i, c)
	name := ownName(fp) + ".crt"
	if f := t.serving(fp, name, c.Own); f != nil {
		t.note(i, "served by "+f.path)
		return nil
	}
	t.write[name] = cert.PEM()
	own := &source{path: path.Join(t.s.d.Local, name), origin: trust.FromLocal, pem: ownName(fp) + ".pem"}
	own.content = &content{path: own.path, data: t.write[name], mode: 0o644}
	own.blocks, _ = root.Scan(own.data)
	t.files = slices.DeleteFunc(t.files, func(f *source) bool { return f.path == own.path })
	t.files = append(t.files, own)
	return nil
}

// serving returns the file through which a root comes into every part, or nil:
// a file of one sound certificate, under a link that no other file takes over.
// Where an own copy is wanted only that counts.
func (t *target) serving(fp root.Fingerprint, own string, onlyOwn bool) *source {
	last := map[string]*source{}
	for _, f := range t.files {
		last[f.pem] = f
	}
	for _, f := range t.files {
		ours := f.path == path.Join(t.s.d.Local, own)
		switch {
		case f.err != nil || len(f.blocks) != 1 || !f.has(fp) || len(f.faults) > 0:
		case onlyOwn && !ours:
		case ours && (f.link || !bytes.Equal(f.data, mustPEM(f.blocks[0].DER))):
		case last[f.pem] != f || unnameable(f.path):
		case !strict(f.data[f.blocks[0].Start:f.blocks[0].End], f.blocks[0].DER):
		default:
			return f
		}
	}
	return nil
}

func mustPEM(der []byte) []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
}

// strict reports whether a block reads as RFC 7468 wants it.
func strict(text, der []byte) bool {
	b, rest := pem.Decode(text)
	return b != nil && b.Type == "CERTIFICATE" && len(b.Headers) == 0 && bytes.Equal(b.Bytes, der) && len(bytes.TrimSpace(rest)) == 0
}

// forget drops what failed and works out what stays of the files that lose
// something.
func (t *target) forget() {
	for i := range t.failed {
		fp := t.batch[i].Root.Fingerprint
		for _, m := range []map[root.Fingerprint]wanted{t.in, t.out} {
			if w, ok := m[fp]; ok && w.change == i {
				delete(m, fp)
			}
		}
	}
	for name, gone := range t.cut {
		for fp := range gone {
			if _, still := t.out[fp]; !still {
				delete(gone, fp)
			}
		}
		if c := t.s.contentOf(name); c != nil && len(gone) > 0 {
			t.keep[name] = without(c, gone)
		} else {
			delete(t.cut, name)
			delete(t.keep, name)
		}
	}
}

// order puts the files into the order in which the tool takes them: the
// vendor's by conf, then the local ones by path.
func (t *target) order() {
	slices.SortStableFunc(t.files, func(a, b *source) int {
		if (a.vendor == "") != (b.vendor == "") {
			if a.vendor != "" {
				return -1
			}
			return 1
		}
		if a.vendor != "" {
			return 0
		}
		return strings.Compare(a.path, b.path)
	})
}

func (s *state) contentOf(name string) *content {
	for _, f := range s.files {
		if f.path == name {
			return f.content
		}
	}
	for _, l := range s.links.names {
		if l.plain() && l.final == name {
			return l.content
		}
	}
	return nil
}

// idle reports that no change of the batch can be carried out.
func (t *target) idle() bool { return len(t.in) == 0 && len(t.out) == 0 }

// via returns the file through which a root comes into the store.
func (t *target) via(fp root.Fingerprint) *source {
	if f := t.serving(fp, ownName(fp)+".crt", false); f != nil {
		return f
	}
	for _, f := range t.files {
		if f.has(fp) {
			return f
		}
	}
	return nil
}
