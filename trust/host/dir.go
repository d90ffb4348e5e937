package host

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"strings"
)

// Dir is one folder that was opened and checked, and the only way to write.
// Names are single path elements; what the folder's name points to later does
// not matter any more.
type Dir struct {
	h     *Host
	path  string // as the machine calls it
	root  *os.Root
	notes []string
}

// Dir opens a folder to write in. It must not be a link, and every folder on
// the way to it must be [Host.Guarded].
func (h *Host) Dir(name string) (*Dir, error) {
	name = machineName(name)
	notes, real, fi, err := h.guarded(name)
	if err != nil {
		return nil, fmt.Errorf("cannot use folder %s: %w", name, err)
	}
	if !fi.IsDir() {
		return nil, fmt.Errorf("cannot use folder %s: it is a file", name)
	}
	if last, err := h.Lstat(name); err != nil {
		return nil, fmt.Errorf("cannot use folder %s: %w", name, err)
	} else if last.Mode()&fs.ModeSymlink != 0 {
		return nil, fmt.Errorf("cannot use folder %s: it is a link to %s; work on that folder, or make it a folder", name, real)
	}
	root, err := os.OpenRoot(h.below(real))
	if err != nil {
		return nil, fmt.Errorf("cannot use folder %s: %w", name, err)
	}
	now, err := root.Stat(".")
	if err == nil && !os.SameFile(now, fi) {
		err = errors.New("it was replaced while it was being opened")
	}
	if err != nil {
		root.Close()
		return nil, fmt.Errorf("cannot use folder %s: %w", name, err)
	}
	return &Dir{h: h, path: name, root: root, notes: notes}, nil
}

// Ensure opens a folder as Dir does and makes it, and those above it, where
// they are missing. perm is for those that are made; it does not depend on the
// umask.
func (h *Host) Ensure(name string, perm fs.FileMode) (*Dir, error) {
	name = machineName(name)
	d, err := h.Dir(name)
	if err == nil || !errors.Is(err, fs.ErrNotExist) || name == "/" {
		return d, err
	}
	up, err := h.Ensure(path.Dir(name), perm)
	if err != nil {
		return nil, err
	}
	defer up.Close()
	err = up.Mkdir(path.Base(name), perm)
	if err == nil {
		err = up.Sync() // or a power failure takes the folder, and whatever was made safe in it
	}
	if err != nil && !errors.Is(err, fs.ErrExist) {
		return nil, err
	}
	return h.Dir(name)
}

// Close lets go of the folder.
func (d *Dir) Close() error { return d.root.Close() }

// Path returns the folder's path.
func (d *Dir) Path() string { return d.path }

// Notes tells what was tolerated about the folder, in words.
func (d *Dir) Notes() []string { return d.notes }

// Lstat does not follow a link.
func (d *Dir) Lstat(name string) (fs.FileInfo, error) {
	if err := single(name); err != nil {
		return nil, err
	}
	return d.root.Lstat(name)
}

// Readlink returns what a link says.
func (d *Dir) Readlink(name string) (string, error) {
	if err := single(name); err != nil {
		return "", err
	}
	return d.root.Readlink(name)
}

// ReadFile returns what a regular file of at most max bytes holds. It follows
// no link.
func (d *Dir) ReadFile(name string, max int64) ([]byte, error) {
	f, err := d.open(name, os.O_RDONLY|nonblock)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	fi, err := f.Stat()
	if err != nil {
		return nil, err
	}
	data, err := readBounded(f, fi.Size(), max)
	if err != nil {
		return nil, &fs.PathError{Op: "read", Path: d.at(name), Err: err}
	}
	return data, nil
}

// ReadDir returns the folder's entries, sorted by name.
func (d *Dir) ReadDir() ([]fs.DirEntry, error) {
	f, err := d.root.Open(".")
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return readNames(f, d.path)
}

// open opens a regular file or a folder, never through a link.
func (d *Dir) open(name string, flags int) (*os.File, error) {
	if err := single(name); err != nil {
		return nil, err
	}
	before, err := d.root.Lstat(name)
	if err != nil {
		return nil, err
	}
	if !before.Mode().IsRegular() && !before.IsDir() {
		return nil, &fs.PathError{Op: "open", Path: d.at(name), Err: ErrNotRegular}
	}
	f, err := d.root.OpenFile(name, flags, 0)
	if err != nil {
		return nil, err
	}
	if after, err := f.Stat(); err != nil || !os.SameFile(before, after) {
		f.Close()
		return nil, &fs.PathError{Op: "open", Path: d.at(name), Err: errors.New("it was replaced while it was being opened")}
	}
	return f, nil
}

func (d *Dir) at(name string) string { return path.Join(d.path, name) }

// maxName is the longest file name that common file systems take (NAME_MAX of
// Linux).
const maxName = 255

func single(name string) error {
	if name == "" || name == "." || name == ".." || len(name) > maxName || strings.ContainsAny(name, "/\\\x00\n") {
		return fmt.Errorf("cannot use %q as a file name: it must be a single path element", name)
	}
	return nil
}
