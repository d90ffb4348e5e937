package host

import (
	"errors"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"
	"unsafe"

	"golang.org/x/sys/windows"
)

func ptr[T any](p *T) unsafe.Pointer { return unsafe.Pointer(p) }

// liveName is how the running system calls a path of the machine: "/C:/x" and
// "C:/x" are the same.
func liveName(name string) string {
	s := filepath.ToSlash(name)
	if len(s) > 2 && s[0] == '/' && s[2] == ':' {
		s = s[1:]
	}
	if len(s) == 2 && s[1] == ':' {
		s += "/"
	}
	return filepath.FromSlash(s)
}

// machineName is how a folder of the machine is called here: "C:/x".
func machineName(name string) string {
	return strings.TrimPrefix(path.Clean("/"+filepath.ToSlash(name)), "/")
}

// descriptor is the access control list at birth: the system and administrators
// may do all, others read where perm lets them. What is made below a folder by
// other means is for the first two alone. Changing a list afterwards would leave
// a moment in which it is open.
func descriptor(perm fs.FileMode, folder bool) (*windows.SecurityAttributes, error) {
	flags := ""
	if folder {
		flags = "OICI"
	}
	sddl := "D:P(A;" + flags + ";FA;;;SY)(A;" + flags + ";FA;;;BA)"
	if perm&0o004 != 0 {
		sddl += "(A;;0x1200a9;;;BU)"
	}
	sd, err := windows.SecurityDescriptorFromString(sddl)
	if err != nil {
		return nil, err
	}
	return &windows.SecurityAttributes{Length: uint32(unsafe.Sizeof(windows.SecurityAttributes{})), SecurityDescriptor: sd}, nil
}

// in returns the path of a name in the folder. The open handle of the folder
// keeps it, and those above it, from being moved or replaced meanwhile.
func (d *Dir) in(name string) string { return filepath.Join(d.root.Name(), name) }

func (d *Dir) create(name string, perm fs.FileMode) (*os.File, error) {
	return d.born(name, perm, windows.GENERIC_READ|windows.GENERIC_WRITE, windows.CREATE_NEW)
}

func (d *Dir) born(name string, perm fs.FileMode, want, how uint32) (*os.File, error) {
	sa, err := descriptor(perm, false)
	if err != nil {
		return nil, err
	}
	wide, err := windows.UTF16PtrFromString(d.in(name))
	if err != nil {
		return nil, err
	}
	h, err := windows.CreateFile(wide, want, windows.FILE_SHARE_READ|windows.FILE_SHARE_WRITE, sa, how, windows.FILE_ATTRIBUTE_NORMAL|windows.FILE_FLAG_OPEN_REPARSE_POINT, 0)
	if err != nil {
		return nil, &fs.PathError{Op: "create", Path: name, Err: err}
	}
	return os.NewFile(uintptr(h), d.in(name)), nil
}

// setMode has nothing to do: the list was there at birth.
func setMode(*os.File, fs.FileMode) error { return nil }

func (d *Dir) mkdir(name string, perm fs.FileMode) error {
	sa, err := descriptor(perm, true)
	if err != nil {
		return err
	}
	wide, err := windows.UTF16PtrFromString(d.in(name))
	if err != nil {
		return err
	}
	if err := windows.CreateDirectory(wide, sa); err != nil {
		return &fs.PathError{Op: "mkdir", Path: name, Err: err}
	}
	return nil
}

// How often, and with what pause, a file is replaced that somebody holds open:
// search and virus scanners do for a moment.
const (
	replaceTries = 20
	replacePause = 100 * time.Millisecond
)

// replace moves a file over another. Where that stays open elsewhere its old
// content stays valid.
func (d *Dir) replace(from, to string) error {
	f, err := windows.UTF16PtrFromString(d.in(from))
	if err != nil {
		return err
	}
	t, err := windows.UTF16PtrFromString(d.in(to))
	if err != nil {
		return err
	}
	for try := 1; ; try++ {
		err := windows.MoveFileEx(f, t, windows.MOVEFILE_REPLACE_EXISTING|windows.MOVEFILE_WRITE_THROUGH)
		if err == nil {
			return nil
		}
		held := errors.Is(err, windows.ERROR_ACCESS_DENIED) || errors.Is(err, windows.ERROR_SHARING_VIOLATION)
		if !held || try == replaceTries {
			return &os.LinkError{Op: "rename", Old: from, New: to, Err: err}
		}
		time.Sleep(replacePause)
	}
}

// drop takes a name away; a reparse point goes itself, not what it leads to.
func (d *Dir) drop(name string) error { return os.Remove(d.in(name)) }

// maxDepth bounds how deep dropAll goes.
const maxDepth = 64

func (d *Dir) dropAll(name string) error { return dropTree(d.in(name), maxDepth) }

func dropTree(name string, depth int) error {
	fi, err := os.Lstat(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if fi.IsDir() && fi.Mode()&(fs.ModeSymlink|fs.ModeIrregular) == 0 {
		if depth == 0 {
			return &fs.PathError{Op: "remove", Path: name, Err: errors.New("its folders are nested too deep")}
		}
		entries, err := os.ReadDir(name)
		if err != nil {
			return err
		}
		for _, e := range entries {
			if err := dropTree(filepath.Join(name, e.Name()), depth-1); err != nil {
				return err
			}
		}
	}
	return os.Remove(name)
}
