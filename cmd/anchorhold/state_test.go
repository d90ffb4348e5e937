package main

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// watched are the folders of which a run may change something.
var watched = []string{"/etc/ssl", "/etc/ca-certificates", "/etc/anchorhold", "/usr/local/share/ca-certificates", "/usr/share/ca-certificates", "/var/lib/anchorhold"}

// maxCompared is the most bytes of one file that are compared; of larger ones,
// which are traps of a test, the size is.
const maxCompared = 64 << 20

// entryState is one file, folder or link as it stands.
type entryState struct {
	mode    fs.FileMode
	time    time.Time
	content string // or where a link leads
}

// treeState is every entry below watched, and conf.
type treeState map[string]entryState

func tree(t *testing.T) treeState {
	t.Helper()
	s := files(t, append(watched, "/etc/ca-certificates.conf", "/etc/cron.d")...)
	if len(s) < 20 {
		t.Fatalf("only %d entries seen", len(s))
	}
	return s
}

// files is every entry below some folders.
func files(t *testing.T, dirs ...string) treeState {
	t.Helper()
	s := treeState{}
	for _, dir := range dirs {
		err := filepath.WalkDir(dir, func(name string, d fs.DirEntry, err error) error {
			if os.IsNotExist(err) {
				return nil
			}
			if err != nil {
				return err
			}
			info, err := d.Info()
			if err != nil {
				return err
			}
			e := entryState{mode: info.Mode(), time: info.ModTime()}
			switch {
			case info.Mode().IsRegular() && info.Size() > maxCompared:
				e.content = fmt.Sprint(info.Size(), " bytes")
			case info.Mode().IsRegular():
				e.content = read(t, name)
			case info.Mode()&fs.ModeSymlink != 0:
				if e.content, err = os.Readlink(name); err != nil {
					return err
				}
			}
			s[name] = e
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	return s
}

// same wants nothing to have changed, not even a time, outside some folders.
func (s treeState) same(t *testing.T, now treeState, but ...string) {
	t.Helper()
	spared := func(name string) bool {
		return slices.ContainsFunc(but, func(b string) bool { return name == b || strings.HasPrefix(name, b+"/") })
	}
	above := func(name string) bool { // a folder in which something else was spared
		return slices.ContainsFunc(but, func(b string) bool { return filepath.Dir(b) == name })
	}
	for name, was := range s {
		is, there := now[name]
		if spared(name) {
			continue
		}
		if above(name) {
			is.time = was.time
		}
		if !there {
			t.Errorf("%s is gone", name)
		} else if was != is {
			t.Errorf("%s changed: %v %s %d bytes, then %v %s %d bytes", name, was.mode, was.time, len(was.content), is.mode, is.time, len(is.content))
		}
	}
	for name := range now {
		if _, there := s[name]; !there && !spared(name) {
			t.Errorf("%s is new", name)
		}
	}
}
