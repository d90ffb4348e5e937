//go:build !linux

package host

import (
	"io/fs"
	"os"
)

// openInside resolves the path link by link inside the tree and then opens
// what no longer is a link. Unlike the kernel's own resolution it can be
// fooled by somebody who changes the tree meanwhile; such trees are tests and
// images.
func (h *Host) openInside(name string) (*os.File, error) {
	real, err := h.Resolve(name)
	if err != nil {
		return nil, err
	}
	return os.OpenFile(h.below(real), os.O_RDONLY|nonblock, 0)
}

func (h *Host) statInside(name string) (fs.FileInfo, error) {
	_, fi, err := h.walk(name, nil)
	return fi, err
}
