package host

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"runtime"
	"strings"
)

// Temporary names are made from the final one, so that one left by a run that
// died is reused or found by Clean. They end in no extension that a
// platform's tool picks up.
const (
	tempPrefix = ".anchorhold-"
	tempSuffix = ".tmp"
)

func temporary(name string) string {
	sum := sha256.Sum256([]byte(name))
	return tempPrefix + hex.EncodeToString(sum[:8]) + tempSuffix
}

// Write replaces a file: whoever reads it meets the old content or the new
// one, also after a power failure. The file is made beside the final one with
// its final mode, checked for length, synced, renamed, and the folder synced.
// perm does not depend on the umask.
func (d *Dir) Write(name string, data []byte, perm fs.FileMode) error {
	if err := single(name); err != nil {
		return err
	}
	temp := temporary(name)
	err := d.fill(temp, data, perm, true)
	if err == nil {
		err = d.rename(temp, name)
	}
	if err != nil {
		d.remove(temp) // best effort: Clean finds what stays
		return fmt.Errorf("cannot write %s: %w", d.at(name), err)
	}
	return d.Sync()
}

func (d *Dir) fill(temp string, data []byte, perm fs.FileMode, durable bool) error {
	if err := d.remove(temp); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := d.h.step("create", d.at(temp)); err != nil {
		return err
	}
	f, err := d.create(temp, perm.Perm())
	if err != nil {
		return err
	}
	defer f.Close()
	// Two halves with a step between: a run can end in the middle of a file.
	for _, part := range [][]byte{data[:len(data)/2], data[len(data)/2:]} {
		if err := d.h.step("write", d.at(temp)); err != nil {
			return err
		}
		if _, err := f.Write(part); err != nil {
			return err
		}
	}
	if err := d.h.step("chmod", d.at(temp)); err != nil {
		return err
	}
	if err := setMode(f, perm.Perm()); err != nil {
		return err
	}
	fi, err := f.Stat()
	if err != nil {
		return err
	}
	if fi.Size() != int64(len(data)) {
		return fmt.Errorf("%d bytes arrived of %d", fi.Size(), len(data))
	}
	if durable {
		if err := d.h.step("sync", d.at(temp)); err != nil {
			return err
		}
		if err := f.Sync(); err != nil {
			return err
		}
	}
	return f.Close()
}

// Symlink makes a link or replaces one, without a moment in which the name is
// missing. It replaces nothing but a link.
func (d *Dir) Symlink(target, name string) error {
	if err := single(name); err != nil {
		return err
	}
	fi, err := d.root.Lstat(name)
	if err == nil && fi.Mode()&fs.ModeSymlink == 0 {
		return fmt.Errorf("cannot make link %s: a file of that name is there", d.at(name))
	}
	if errors.Is(err, fs.ErrNotExist) { // nothing to replace
		if err = d.h.step("symlink", d.at(name)); err == nil {
			err = d.root.Symlink(target, name)
		}
		if err != nil {
			return fmt.Errorf("cannot make link %s: %w", d.at(name), err)
		}
		return nil
	}
	temp := temporary(name)
	err = d.remove(temp)
	if err == nil || errors.Is(err, fs.ErrNotExist) {
		if err = d.h.step("symlink", d.at(temp)); err == nil {
			err = d.root.Symlink(target, temp)
		}
	}
	if err == nil {
		err = d.rename(temp, name)
	}
	if err != nil {
		d.remove(temp)
		return fmt.Errorf("cannot make link %s: %w", d.at(name), err)
	}
	return nil
}

// Rename moves a file within the folder, over whatever has the new name.
func (d *Dir) Rename(from, to string) error {
	if err := errors.Join(single(from), single(to)); err != nil {
		return err
	}
	return d.rename(from, to)
}

func (d *Dir) rename(from, to string) error {
	if err := d.h.step("rename", d.at(to)); err != nil {
		return err
	}
	return d.full(d.replace(from, to))
}

// Remove takes a file, a link or an empty folder away.
func (d *Dir) Remove(name string) error {
	if err := single(name); err != nil {
		return err
	}
	return d.remove(name)
}

func (d *Dir) remove(name string) error {
	if _, err := d.root.Lstat(name); err != nil {
		return err
	}
	if err := d.h.step("remove", d.at(name)); err != nil {
		return err
	}
	return d.full(d.drop(name))
}

// RemoveAll takes a file or a folder with everything in it away; what links
// point to stays. A missing name is no error.
func (d *Dir) RemoveAll(name string) error {
	if err := single(name); err != nil {
		return err
	}
	if _, err := d.root.Lstat(name); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err := d.h.step("remove", d.at(name)); err != nil {
		return err
	}
	return d.full(d.dropAll(name))
}

// Mkdir makes a folder; perm does not depend on the umask.
func (d *Dir) Mkdir(name string, perm fs.FileMode) error {
	if err := single(name); err != nil {
		return err
	}
	if err := d.h.step("mkdir", d.at(name)); err != nil {
		return err
	}
	return d.full(d.mkdir(name, perm.Perm()))
}

// Chmod sets the mode of a regular file or a folder, never through a link. A
// folder's special bits (sticky, set-group) stay as they are.
func (d *Dir) Chmod(name string, perm fs.FileMode) error {
	f, err := d.open(name, os.O_RDONLY|nonblock)
	if err != nil {
		return err
	}
	defer f.Close()
	fi, err := f.Stat()
	if err != nil {
		return err
	}
	if err := d.h.step("chmod", d.at(name)); err != nil {
		return err
	}
	const special = fs.ModeSticky | fs.ModeSetgid
	return d.full(f.Chmod(perm.Perm() | fi.Mode()&special))
}

// SyncFile makes a file's content durable that somebody else wrote.
func (d *Dir) SyncFile(name string) error {
	f, err := d.open(name, os.O_RDONLY|nonblock)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := d.h.step("sync", d.at(name)); err != nil {
		return err
	}
	return d.full(f.Sync())
}

// Sync makes the folder's entries durable.
func (d *Dir) Sync() error {
	if err := d.h.step("sync", d.path); err != nil {
		return err
	}
	if runtime.GOOS == "windows" {
		return nil // a folder cannot be synced there: a rename is durable by the file system's own log
	}
	f, err := d.root.Open(".")
	if err != nil {
		return d.full(err)
	}
	defer f.Close()
	return d.full(f.Sync())
}

// full names the whole path in an error of one name in the folder.
func (d *Dir) full(err error) error {
	whole := func(name string) string {
		if path.IsAbs(name) {
			return path.Clean(name)
		}
		return d.at(name)
	}
	switch e := err.(type) {
	case *fs.PathError:
		return &fs.PathError{Op: e.Op, Path: whole(e.Path), Err: e.Err}
	case *os.LinkError:
		return &os.LinkError{Op: e.Op, Old: whole(e.Old), New: whole(e.New), Err: e.Err}
	}
	return err
}

// Clean removes temporary files that earlier runs left when they died. Call it
// as the only writer.
func (d *Dir) Clean() error {
	entries, err := d.ReadDir()
	if err != nil {
		return err
	}
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), tempPrefix) && strings.HasSuffix(e.Name(), tempSuffix) && !e.IsDir() {
			if err := d.remove(e.Name()); err != nil {
				return fmt.Errorf("cannot clean %s: %w", d.at(e.Name()), err)
			}
		}
	}
	return nil
}

// Put makes a file as Write does, but durable only when somebody syncs: for
// what is made anew after a power failure anyway.
func (d *Dir) Put(name string, data []byte, perm fs.FileMode) error {
	if err := single(name); err != nil {
		return err
	}
	temp := temporary(name)
	err := d.fill(temp, data, perm, false)
	if err == nil {
		err = d.rename(temp, name)
	}
	if err != nil {
		d.remove(temp)
		return fmt.Errorf("cannot write %s: %w", d.at(name), err)
	}
	return nil
}
