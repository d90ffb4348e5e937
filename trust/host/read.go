package host

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"sort"
)

// Errors of bounded reading.
var (
	ErrTooLarge   = errors.New("larger than the bound")
	ErrNotRegular = errors.New("not a regular file")
)

// MaxNames bounds the entries of a folder that ReadDir returns.
const MaxNames = 200_000

// Open opens a file or folder for reading. It never blocks on a pipe or a
// device.
func (h *Host) Open(name string) (*os.File, error) {
	if h.Live() {
		return os.OpenFile(liveName(name), os.O_RDONLY|nonblock, 0)
	}
	return h.openInside(name)
}

// Read returns what a regular file of at most max bytes holds, with what the
// opened file says of itself.
func (h *Host) Read(name string, max int64) ([]byte, fs.FileInfo, error) {
	f, err := h.Open(name)
	if err != nil {
		return nil, nil, err
	}
	defer f.Close()
	fi, err := f.Stat()
	if err != nil {
		return nil, nil, err
	}
	if !fi.Mode().IsRegular() {
		return nil, fi, &fs.PathError{Op: "read", Path: name, Err: ErrNotRegular}
	}
	data, err := readBounded(f, fi.Size(), max)
	if err != nil {
		return nil, fi, &fs.PathError{Op: "read", Path: name, Err: err}
	}
	return data, fi, nil
}

// ReadFile is Read without the file's own account of itself.
func (h *Host) ReadFile(name string, max int64) ([]byte, error) {
	data, _, err := h.Read(name, max)
	return data, err
}

func readBounded(r io.Reader, size, max int64) ([]byte, error) {
	if size > max {
		return nil, fmt.Errorf("%w of %d bytes", ErrTooLarge, max)
	}
	buf := make([]byte, size+1) // one more: end of file without another allocation
	n := 0
	for {
		m, err := r.Read(buf[n:])
		n += m
		if int64(n) > max {
			return nil, fmt.Errorf("%w of %d bytes", ErrTooLarge, max)
		}
		if err == io.EOF {
			return buf[:n], nil
		}
		if err != nil {
			return nil, err
		}
		if n == len(buf) {
			buf = append(buf, make([]byte, min(int64(len(buf)), max+1-int64(n))+1)...)
		}
	}
}

// ReadDir returns the entries of a folder, sorted by name.
func (h *Host) ReadDir(name string) ([]fs.DirEntry, error) {
	f, err := h.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return readNames(f, name)
}

func readNames(f *os.File, name string) ([]fs.DirEntry, error) {
	entries, err := f.ReadDir(MaxNames + 1)
	if err != nil && err != io.EOF {
		return nil, err
	}
	if len(entries) > MaxNames {
		return nil, &fs.PathError{Op: "read folder", Path: name, Err: fmt.Errorf("more than %d entries", MaxNames)}
	}
	sort.Slice(entries, func(i, j int) bool { return entries[i].Name() < entries[j].Name() })
	return entries, nil
}

// Stat follows links.
func (h *Host) Stat(name string) (fs.FileInfo, error) {
	if h.Live() {
		return os.Stat(liveName(name))
	}
	return h.statInside(name)
}

// Lstat does not follow a link in the last element.
func (h *Host) Lstat(name string) (fs.FileInfo, error) {
	real, err := h.parent(name)
	if err != nil {
		return nil, err
	}
	return os.Lstat(real)
}

// Readlink returns what a link says, unchanged.
func (h *Host) Readlink(name string) (string, error) {
	real, err := h.parent(name)
	if err != nil {
		return "", err
	}
	return os.Readlink(real)
}
