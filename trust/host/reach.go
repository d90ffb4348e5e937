package host

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"path/filepath"
	"slices"
	"strings"
)

// Stop is where an account without privileges is stopped on its way to a file.
type Stop struct {
	Path    string
	Mode    fs.FileMode
	Missing fs.FileMode // the bits that would let it through
}

func (s Stop) String() string {
	return fmt.Sprintf("%s has mode %04o and lacks %04o", s.Path, s.Mode.Perm(), s.Missing.Perm())
}

// Paths walks real paths as one account would, judging by mode bits (access
// control lists and security modules are not seen: a reading by the account
// itself is the proof). It remembers folders, so that many files of one folder
// cost one walk. It is not safe for concurrent use.
type Paths struct {
	h    *Host
	as   *Account
	dirs map[string]reached
}

type reached struct {
	real string
	stop *Stop
	err  error
}

// Paths returns a walker for an account; nil stands for an account that owns
// nothing and is in no group.
func (h *Host) Paths(as *Account) *Paths {
	return &Paths{h: h, as: as, dirs: map[string]reached{}}
}

// Reach returns which element of the real path of name stops the account: a
// folder that it may not enter, or a file or folder at the end that it may not
// read. nil means that nothing does. An error says that the way could not be
// followed: a link into nothing, or no right to look for whoever runs this.
func (p *Paths) Reach(name string) (*Stop, error) {
	return p.follow(path.Clean("/"+name), 0)
}

func (p *Paths) follow(name string, links int) (*Stop, error) {
	if links > maxLinks {
		return nil, &fs.PathError{Op: "reach", Path: name, Err: errLoop}
	}
	// Split as text: "x/../y" behind a link x is no matter of text, so the
	// folder's part is walked as it stands.
	cut := strings.LastIndex(name, "/")
	dir, base := p.enter(name[:cut+1]), name[cut+1:]
	if dir.stop != nil || dir.err != nil {
		return dir.stop, dir.err
	}
	at := path.Join(dir.real, base)
	fi, err := p.h.lstatReal(at)
	if err != nil {
		return nil, err
	}
	if fi.Mode()&fs.ModeSymlink != 0 {
		target, err := p.h.readlinkReal(at)
		if err != nil {
			return nil, err
		}
		if target = filepath.ToSlash(target); !strings.HasPrefix(target, "/") {
			target = strings.TrimSuffix(dir.real, "/") + "/" + target
		}
		return p.follow(target, links+1)
	}
	want := fs.FileMode(0o444)
	if fi.IsDir() {
		want = 0o555
	}
	return p.stopped(at, fi, want), nil
}

// enter walks to a folder and remembers what came of it.
func (p *Paths) enter(dir string) reached {
	if r, ok := p.dirs[dir]; ok {
		return r
	}
	var r reached
	var halt = errors.New("stopped")
	r.real, _, r.err = p.h.walk(dir, func(real string, fi fs.FileInfo) error {
		if r.stop = p.stopped(real, fi, 0o111); r.stop != nil {
			return halt
		}
		return nil
	})
	if r.stop != nil {
		r.err = nil
	}
	p.dirs[dir] = r
	return r
}

// stopped compares a mode with the wanted bits, of which those count that
// apply to the account (path_resolution(7)).
func (p *Paths) stopped(at string, fi fs.FileInfo, want fs.FileMode) *Stop {
	class := fs.FileMode(0o007)
	if p.as != nil {
		uid, gid, known := owner(fi)
		switch {
		case p.as.UID == 0:
			return nil
		case known && uid == p.as.UID:
			class = 0o700
		case known && (gid == p.as.GID || slices.Contains(p.as.Groups, gid)):
			class = 0o070
		}
	}
	need := want & class
	missing := need &^ fi.Mode().Perm()
	if missing == 0 {
		return nil
	}
	if p.as == nil {
		missing = want &^ fi.Mode().Perm()
	}
	return &Stop{Path: at, Mode: fi.Mode(), Missing: missing}
}
