package host

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
)

// Append adds a line to a file and syncs it. A last line that an earlier run
// left torn is ended first, so that it costs no other line. perm is for a file
// that is made; it does not depend on the umask.
func (d *Dir) Append(name string, line []byte, perm fs.FileMode) error {
	if err := d.append(name, line, perm); err != nil {
		return fmt.Errorf("cannot add to %s: %w", d.at(name), err)
	}
	return nil
}

func (d *Dir) append(name string, line []byte, perm fs.FileMode) error {
	if err := single(name); err != nil {
		return err
	}
	if _, err := d.root.Lstat(name); errors.Is(err, fs.ErrNotExist) {
		if err := d.Write(name, nil, perm); err != nil {
			return err
		}
	}
	f, err := d.open(name, os.O_RDWR|nonblock)
	if err != nil {
		return err
	}
	defer f.Close()
	fi, err := f.Stat()
	if err != nil {
		return err
	}
	if !fi.Mode().IsRegular() {
		return ErrNotRegular
	}
	end := fi.Size()
	if end > 0 {
		last := make([]byte, 1)
		if _, err := f.ReadAt(last, end-1); err != nil {
			return err
		}
		if last[0] != '\n' {
			line = append([]byte{'\n'}, line...)
		}
	}
	if err := d.h.step("write", d.at(name)); err != nil {
		return err
	}
	if _, err := f.WriteAt(line, end); err != nil {
		return err
	}
	if err := d.h.step("sync", d.at(name)); err != nil {
		return err
	}
	return f.Sync()
}
