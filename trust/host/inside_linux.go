package host

import (
	"io/fs"
	"os"

	"golang.org/x/sys/unix"
)

// inside opens a path of another tree with the kernel resolving every link
// inside it (openat2(2), RESOLVE_IN_ROOT), so that no link leads out even while
// somebody changes the tree.
func (h *Host) inside(name string, flags uint64) (*os.File, error) {
	root, err := unix.Open(h.Root, unix.O_PATH|unix.O_DIRECTORY|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, &fs.PathError{Op: "open", Path: h.Root, Err: err}
	}
	defer unix.Close(root)
	how := unix.OpenHow{Flags: flags | unix.O_CLOEXEC, Resolve: unix.RESOLVE_IN_ROOT | unix.RESOLVE_NO_MAGICLINKS}
	fd, err := unix.Openat2(root, name, &how)
	if err != nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: err}
	}
	return os.NewFile(uintptr(fd), name), nil
}

func (h *Host) openInside(name string) (*os.File, error) {
	return h.inside(name, unix.O_RDONLY|unix.O_NONBLOCK)
}

func (h *Host) statInside(name string) (fs.FileInfo, error) {
	f, err := h.inside(name, unix.O_PATH)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return f.Stat()
}
