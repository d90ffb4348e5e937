package native

import (
	"io/fs"
	"path"
	"strings"

	"anchorhold.test/anchorhold/trust/host"
)

// maxPlain bounds what is copied of a plain file among the links.
const maxPlain = 1 << 20

// putLinks copies the folder of links as it will be.
func (st *stage) putLinks(b *board) error {
	dir, err := st.d.Host.Dir(st.certs)
	if err != nil {
		return err
	}
	defer dir.Close()
	for _, l := range b.sorted() {
		if err := st.putLink(dir, b, l); err != nil {
			return err
		}
	}
	return nil
}

func (st *stage) putLink(dir *host.Dir, b *board, l *link) error {
	if target := st.linkFor(b, l); target != "" {
		return dir.Symlink(target, l.name)
	}
	data := l.data
	if rest, cut := b.t.keep[l.final]; cut {
		data = rest
	}
	return dir.Put(l.name, data, 0o644)
}

// linkFor is what a name of the folder leads to in the stage; "" for a file
// that is copied. One that is too large, no certificate or for few is linked:
// it is read there as it is where it lies.
func (st *stage) linkFor(b *board, l *link) string {
	_, cut := b.t.keep[l.final]
	switch {
	case l.plain() && !cut && (l.content == nil || l.err != nil || len(l.blocks) == 0 || len(l.data) > maxPlain || l.mode&0o004 == 0):
		return path.Join(b.dir, l.name)
	case l.plain():
		return ""
	case st.staged[l.final] != "" && l.final == resolved(b.dir, l.target):
		return st.staged[l.final]
	case path.IsAbs(l.target) || !strings.Contains(l.target, "/"):
		return l.target
	}
	return resolved(b.dir, l.target) // relative to the live folder
}

// settle makes the folder of links once more what it will be, for those who
// read it there: the tool hashes and drops names as it sees fit, which the live
// folder does not go through, and some files that lie in that one were kept
// away from the tool.
func (st *stage) settle(b *board) error {
	live, err := st.d.Host.ReadDir(b.dir)
	if err != nil {
		return err
	}
	dir, err := st.d.Host.Dir(st.certs)
	if err != nil {
		return err
	}
	defer dir.Close()
	now, err := dir.ReadDir()
	if err != nil {
		return err
	}
	stands := map[string]string{} // name: what a link says
	for _, e := range now {
		if e.Name() == st.d.Bundle {
			continue
		}
		if b.names[e.Name()] == nil {
			if err := dir.RemoveAll(e.Name()); err != nil {
				return err
			}
			continue
		}
		stands[e.Name()] = ""
		if e.Type()&fs.ModeSymlink != 0 {
			if stands[e.Name()], err = dir.Readlink(e.Name()); err != nil {
				return err
			}
		}
	}
	for _, l := range b.sorted() {
		was, there := stands[l.name]
		if there && was == st.linkFor(b, l) {
			continue
		}
		if there && was == "" { // a link does not replace a file
			if err := dir.RemoveAll(l.name); err != nil {
				return err
			}
		}
		if err := st.putLink(dir, b, l); err != nil {
			return err
		}
	}
	for _, e := range live { // beside the links: copies of the bundle, leftovers
		if listed := st.d.linkName(e); listed || !e.Type().IsRegular() || e.Name() == st.d.Bundle {
			continue
		}
		if err := dir.Symlink(path.Join(b.dir, e.Name()), e.Name()); err != nil {
			return err
		}
	}
	return nil
}

func resolved(dir, target string) string {
	if path.IsAbs(target) {
		return target
	}
	return path.Join(dir, target)
}
