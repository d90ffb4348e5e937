package host

import (
	"errors"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
)

// maxLinks is how many links one path may lead through, as on Linux
// (path_resolution(7): 40).
const maxLinks = 40

// errLoop is what too long a chain of links ends with.
var errLoop = errors.New("too many links")

// Resolve returns the real path of name: every link followed, inside the
// host's root. The last element must exist.
func (h *Host) Resolve(name string) (string, error) {
	real, _, err := h.walk(name, nil)
	return real, err
}

// walk follows a path element by element, links included, and calls visit for
// every folder on the real way and for what lies at its end. No element that
// it opens is a link, so that it stays inside the root.
func (h *Host) walk(name string, visit func(real string, fi fs.FileInfo) error) (string, fs.FileInfo, error) {
	todo := elements(name)
	real, links := "/", 0
	fi, err := os.Lstat(h.Root)
	if err != nil {
		return "", nil, err
	}
	if fi.Mode()&fs.ModeSymlink != 0 { // the root itself may be reached by a link
		if fi, err = os.Stat(h.Root); err != nil {
			return "", nil, err
		}
	}
	for {
		if visit != nil {
			if err := visit(real, fi); err != nil {
				return real, fi, err
			}
		}
		if len(todo) == 0 {
			return real, fi, nil
		}
		if !fi.IsDir() {
			return "", nil, &fs.PathError{Op: "resolve", Path: name, Err: errors.New(real + " is not a folder")}
		}
		next := todo[0]
		todo = todo[1:]
		if next == ".." {
			real = path.Dir(real)
		} else {
			real = path.Join(real, next)
		}
		if fi, err = os.Lstat(h.below(real)); err != nil {
			return "", nil, err
		}
		if fi.Mode()&fs.ModeSymlink == 0 {
			continue
		}
		if links++; links > maxLinks {
			return "", nil, &fs.PathError{Op: "resolve", Path: name, Err: errLoop}
		}
		target, err := os.Readlink(h.below(real))
		if err != nil {
			return "", nil, err
		}
		target = filepath.ToSlash(target)
		todo = append(elements(target), todo...)
		if strings.HasPrefix(target, "/") || filepath.IsAbs(target) {
			real = "/"
		} else {
			real = path.Dir(real)
		}
		if fi, err = os.Lstat(h.below(real)); err != nil {
			return "", nil, err
		}
	}
}

// elements splits a path; ".." is kept, because behind a link it means another
// folder than it seems.
func elements(name string) []string {
	var e []string
	for _, s := range strings.Split(filepath.ToSlash(name), "/") {
		if s != "" && s != "." {
			e = append(e, s)
		}
	}
	return e
}

// parent returns where name lies with every link but the last resolved.
func (h *Host) parent(name string) (string, error) {
	if h.Live() {
		return liveName(name), nil
	}
	dir, err := h.Resolve(path.Dir(path.Clean("/" + name)))
	if err != nil {
		return "", err
	}
	return h.below(path.Join(dir, path.Base(name))), nil
}

// lstatReal and readlinkReal take a path all of whose folders are real.
func (h *Host) lstatReal(real string) (fs.FileInfo, error) { return os.Lstat(h.below(real)) }

func (h *Host) readlinkReal(real string) (string, error) { return os.Readlink(h.below(real)) }
