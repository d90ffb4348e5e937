package host

import (
	"errors"
	"io/fs"

	"golang.org/x/sys/windows"
)

// lock tries once; a Lock without release says that somebody else has it. The
// file is for administrators alone: whoever can open it can lock it.
func (d *Dir) lock(name string) (*Lock, error) {
	if err := single(name); err != nil {
		return nil, err
	}
	if fi, err := d.root.Lstat(name); err == nil && !fi.Mode().IsRegular() {
		return nil, &fs.PathError{Op: "open", Path: d.at(name), Err: ErrNotRegular}
	}
	f, err := d.born(name, 0o600, windows.GENERIC_READ|windows.GENERIC_WRITE, windows.OPEN_ALWAYS)
	if err != nil {
		return nil, err
	}
	err = windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, new(windows.Overlapped))
	switch {
	case errors.Is(err, windows.ERROR_LOCK_VIOLATION), errors.Is(err, windows.ERROR_IO_PENDING):
		f.Close()
		return &Lock{}, nil
	case err != nil:
		f.Close()
		return nil, err
	}
	return &Lock{release: f.Close}, nil
}

// holder is not told by the system.
func (d *Dir) holder(string) int { return 0 }

// DpkgBusy reports nothing: there is no dpkg here.
func (h *Host) DpkgBusy() error { return nil }
