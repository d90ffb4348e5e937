package source

import (
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
)

// maxLinks bounds the links on the way to a file, as Linux does
// (path_resolution(7)).
const maxLinks = 40

// trail is the way to a file: the folders in which something decides what the
// path means, each with the names that matter there.
type trail map[string][]string

func (t trail) add(dir, name string) {
	if !slices.Contains(t[dir], name) {
		t[dir] = append(t[dir], name)
	}
}

// decides reports whether what happened to a path can change what the file
// is: the path is a name that matters, or a folder of the trail itself.
func (t trail) decides(name string) bool {
	name = filepath.Clean(name)
	if _, ok := t[name]; ok {
		return true
	}
	return slices.Contains(t[filepath.Dir(name)], filepath.Base(name))
}

// follow walks the path as the kernel does, link by link. In the trail are the
// folder of the file, each folder that holds a link of the way, and, where
// something is missing, the folder in which it would appear.
func follow(name string) trail {
	t := trail{}
	volume := filepath.VolumeName(name)
	at, rest := volume+string(filepath.Separator), elements(name[len(volume):])
	for links := 0; len(rest) > 0; {
		next := filepath.Join(at, rest[0])
		if rest[0] == ".." { // at holds no link, so its parent is what the kernel takes
			at, rest = filepath.Dir(at), rest[1:]
			continue
		}
		fi, err := os.Lstat(next)
		isLink := err == nil && fi.Mode()&fs.ModeSymlink != 0
		if len(rest) == 1 || err != nil || isLink {
			t.add(at, rest[0])
		}
		if err != nil {
			return t
		}
		if !isLink {
			at, rest = next, rest[1:]
			continue
		}
		to, err := os.Readlink(next)
		if links++; err != nil || links > maxLinks {
			return t
		}
		if filepath.IsAbs(to) {
			volume := filepath.VolumeName(to)
			at, to = volume+string(filepath.Separator), to[len(volume):]
		}
		rest = append(elements(to), rest[1:]...)
	}
	return t
}

// elements splits a path; ".." stays, since what it means depends on links.
func elements(name string) []string {
	separators := string(filepath.Separator)
	if runtime.GOOS == "windows" {
		separators = `\/`
	}
	parts := strings.FieldsFunc(name, func(r rune) bool { return strings.ContainsRune(separators, r) })
	return slices.DeleteFunc(parts, func(p string) bool { return p == "." })
}
