//go:build linux

package faults_test

import (
	"io/fs"
	"path"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust/trusttest/tracer"
)

// disk is what a file system holds in memory and what of it is on the disk, as
// far as POSIX promises: the content of a file is safe after fsync of the file,
// a name in a folder after fsync of the folder, and nothing else is.
type disk struct {
	names map[string]*stored
	files map[uint64]*stored // open ones, by inode
	late  []change           // names that are not safe yet, oldest first
	call  int
}

// stored is a file, folder or link, whatever it is called.
type stored struct {
	node      // as a reader sees it
	safe node // as it is after a power failure
}

// change is one name that became something else. The two names of a rename
// change together: a file system that keeps a log writes them as one.
type change struct {
	name string
	was  *stored
	with int // the call
}

func newDisk(t tree) *disk {
	d := &disk{names: map[string]*stored{}, files: map[uint64]*stored{}}
	for name, n := range t {
		d.names[name] = &stored{n, n}
	}
	return d
}

// tracked reports a path that the disk follows. Nobody reads the stage after a
// failure.
func (d *disk) tracked(name string) bool {
	if strings.HasPrefix(name, stateDir+"/stage") {
		return false
	}
	for _, p := range slices.Concat(storePaths, ownPaths) {
		if ok, _ := path.Match(p, name); ok || strings.HasPrefix(name, p+"/") {
			return true
		}
	}
	return path.Dir(name) == path.Dir(confFile) && strings.HasPrefix(path.Base(name), ".anchorhold-")
}

func (d *disk) set(name string, now *stored) {
	d.late = append(d.late, change{name, d.names[name], d.call})
	if now == nil {
		delete(d.names, name)
	} else {
		d.names[name] = now
	}
}

// apply carries one call out. It reports whether it mattered.
func (d *disk) apply(c tracer.Call) bool {
	if c.Result < 0 {
		return false
	}
	d.call = c.N
	if s := d.files[c.Inode]; c.Inode != 0 && s != nil && c.Kind != tracer.Open {
		return s.apply(c)
	}
	if !d.tracked(c.Path) && !(c.To != "" && d.tracked(c.To)) {
		if c.Kind == tracer.Sync {
			return d.sync(c.Path)
		}
		return false
	}
	s := d.names[c.Path]
	switch c.Kind {
	case tracer.Open:
		if s == nil {
			s = &stored{node{mode: c.Perm}, node{mode: c.Perm}}
			d.set(c.Path, s)
		}
		if c.Trunc {
			s.text = ""
		}
		d.files[c.Inode] = s
	case tracer.Mkdir:
		n := node{mode: c.Perm | fs.ModeDir}
		d.set(c.Path, &stored{n, n})
	case tracer.Symlink:
		n := node{mode: 0o777 | fs.ModeSymlink, text: c.From}
		d.set(c.Path, &stored{n, n})
	case tracer.Rename:
		d.set(c.To, s)
		d.set(c.Path, nil)
	case tracer.Unlink:
		d.set(c.Path, nil)
	case tracer.Mode:
		if s != nil {
			s.mode = s.mode&fs.ModeType | c.Perm
		}
	case tracer.Sync:
		return d.sync(c.Path)
	}
	return true
}

// apply changes an open file.
func (s *stored) apply(c tracer.Call) bool {
	switch c.Kind {
	case tracer.Write:
		b := []byte(s.text)
		for int64(len(b)) < c.At {
			b = append(b, 0)
		}
		s.text = string(append(b[:c.At], append(slices.Clone(c.Data), b[min(int64(len(b)), c.At+int64(len(c.Data))):]...)...))
	case tracer.Truncate:
		s.text = s.text[:min(int64(len(s.text)), c.Size)]
	case tracer.Mode:
		s.mode = s.mode&fs.ModeType | c.Perm
	case tracer.Sync:
		s.safe = s.node
	}
	return true
}

// sync makes the names in a folder safe.
func (d *disk) sync(dir string) bool {
	n := len(d.late)
	d.late = slices.DeleteFunc(d.late, func(c change) bool { return path.Dir(c.name) == dir })
	return len(d.late) < n
}

// lost are the trees that a power failure may leave now: names up to each late
// one are on the disk and the others are not; or all late ones of some folders
// and none of the others. Of the content each unsafe file has nothing, half or
// all.
func (d *disk) lost(tell func(tree)) {
	dirs := map[string]int{}
	for _, c := range d.late {
		if _, known := dirs[path.Dir(c.name)]; !known {
			dirs[path.Dir(c.name)] = len(dirs)
		}
	}
	for _, share := range []int{0, 1, 2} {
		for kept := 0; kept <= len(d.late); kept++ {
			if 0 < kept && kept < len(d.late) && d.late[kept].with == d.late[kept-1].with {
				continue
			}
			tell(d.after(share, func(i int) bool { return i < kept }))
		}
		if len(dirs) > maxFolders {
			continue
		}
		for some := range 1 << len(dirs) {
			tell(d.after(share, func(i int) bool { return some&(1<<dirs[path.Dir(d.late[i].name)]) != 0 }))
		}
	}
}

// maxFolders bounds the subsets of folders that are tried.
const maxFolders = 6

// after is one such tree: share halves of what is not safe in a file arrived.
func (d *disk) after(share int, kept func(i int) bool) tree {
	names := map[string]*stored{}
	for name, s := range d.names {
		names[name] = s
	}
	for i, c := range slices.Backward(d.late) {
		if kept(i) {
			continue
		}
		if c.was == nil {
			delete(names, c.name)
		} else {
			names[c.name] = c.was
		}
	}
	t := tree{}
	for name, s := range names {
		n := s.safe
		switch extra := len(s.text) - len(s.safe.text); {
		case share == 2:
			n = s.node
		case share == 1 && extra > 0 && strings.HasPrefix(s.text, s.safe.text):
			n.text = s.text[:len(s.safe.text)+extra/2]
		}
		t[name] = n
	}
	for name := range t { // what lies in a folder that is lost is lost
		for dir := path.Dir(name); d.tracked(dir); dir = path.Dir(dir) {
			if _, there := t[dir]; !there && d.folder(dir) {
				delete(t, name)
			}
		}
	}
	return t
}

// folder reports a folder that the disk follows by itself.
func (d *disk) folder(name string) bool {
	s, there := d.names[name]
	return there && s.mode.IsDir() || slices.ContainsFunc(d.late, func(c change) bool { return c.name == name })
}
