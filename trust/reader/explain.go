package reader

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// explain turns a failed open into the path and the mode that stopped it: the
// kernel names only the path that was asked for.
func explain(err error) string {
	var pe *fs.PathError
	if !errors.As(err, &pe) || !errors.Is(err, fs.ErrPermission) {
		return err.Error()
	}
	path, mode := stopper(pe.Path, 0)
	return fmt.Sprintf("no permission at %s (mode %04o)", path, mode.Perm())
}

const maxLinks = 8

// stopper walks down to the first folder or file that refuses this process.
func stopper(path string, depth int) (string, fs.FileMode) {
	clean := filepath.Clean(path)
	prefix := string(filepath.Separator)
	last, mode := prefix, fs.FileMode(0)
	for _, elem := range strings.Split(strings.Trim(clean, prefix), prefix) {
		next := filepath.Join(last, elem)
		info, err := os.Lstat(next)
		if err != nil {
			return last, mode // last refused to be passed through
		}
		if info.Mode()&fs.ModeSymlink != 0 && depth < maxLinks {
			target, err := os.Readlink(next)
			if err == nil {
				if !filepath.IsAbs(target) {
					target = filepath.Join(last, target)
				}
				rest, _ := filepath.Rel(next, clean)
				return stopper(filepath.Join(target, rest), depth+1)
			}
		}
		last, mode = next, info.Mode()
	}
	return last, mode
}
