//go:build unix

package host

import (
	"io/fs"
	"os"
	"path"
)

// liveName is how the running system calls a path of the machine.
func liveName(name string) string { return name }

// machineName is how a folder of the machine is called here.
func machineName(name string) string { return path.Clean("/" + name) }

// create makes a file that nobody but its owner can open.
func (d *Dir) create(name string, perm fs.FileMode) (*os.File, error) {
	return d.root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, perm&0o700)
}

func setMode(f *os.File, perm fs.FileMode) error { return f.Chmod(perm) }

func (d *Dir) mkdir(name string, perm fs.FileMode) error {
	if err := d.root.Mkdir(name, perm&0o700); err != nil {
		return err
	}
	return d.Chmod(name, perm)
}

func (d *Dir) replace(from, to string) error { return d.root.Rename(from, to) }

func (d *Dir) drop(name string) error { return d.root.Remove(name) }

func (d *Dir) dropAll(name string) error { return d.root.RemoveAll(name) }
