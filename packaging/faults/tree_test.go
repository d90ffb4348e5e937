//go:build linux

package faults_test

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"sort"
	"strings"
	"syscall"
	"testing"
)

// Places of Debian's store and of the agent.
const (
	certsDir  = "/etc/ssl/certs"
	bundle    = certsDir + "/ca-certificates.crt"
	javaStore = certsDir + "/java/cacerts"
	confFile  = "/etc/ca-certificates.conf"
	localDir  = "/usr/local/share/ca-certificates"
	stateDir  = "/var/lib/anchorhold"
	settings  = "/etc/anchorhold"
	inForce   = settings + "/harbour.policy"
	hooksDir  = "/etc/ca-certificates/update.d"
	platform  = "/usr/sbin/update-ca-certificates"
	installed = "/usr/bin/anchorhold"
)

// Patterns of what a run may change: the store, the agent's own, and what
// Java's hook and dpkg keep. A name with '*' is one of temporary files.
var (
	storePaths = []string{certsDir, localDir, confFile, "/etc/.anchorhold-*"}
	ownPaths   = []string{stateDir, settings, "/var/lib/.anchorhold-*", "/tmp/*"}
	dpkgPaths  = []string{"/var/lib/ca-certificates-java", "/var/lib/dpkg/status", "/var/lib/dpkg/status-old",
		"/var/lib/dpkg/triggers", "/var/lib/dpkg/updates", "/var/lib/dpkg/*-new"}
	everything = slices.Concat(storePaths, ownPaths, dpkgPaths)
)

// node is one file, folder or link. stamp tells a change that left the content
// as it was.
type node struct {
	mode  fs.FileMode
	text  string // content, or where a link leads
	stamp string
}

// tree is all that lies below some paths.
type tree map[string]node

func capture(t *testing.T, patterns ...string) tree {
	t.Helper()
	s := tree{}
	for _, pattern := range patterns {
		names, err := filepath.Glob(pattern)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			if err := filepath.WalkDir(name, s.add); err != nil {
				t.Fatal(err)
			}
		}
	}
	return s
}

func (s tree) add(name string, d fs.DirEntry, err error) error {
	if err != nil {
		return err
	}
	fi, err := d.Info()
	if err != nil {
		return err
	}
	n := node{mode: fi.Mode(), stamp: fi.ModTime().String()}
	if st, ok := fi.Sys().(*syscall.Stat_t); ok {
		n.stamp += fmt.Sprint(st.Ctim) // no inode: an overlay gives folders new ones as it likes
	}
	switch {
	case fi.Mode().IsRegular():
		data, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		n.text = string(data)
	case fi.Mode()&fs.ModeSymlink != 0:
		if n.text, err = os.Readlink(name); err != nil {
			return err
		}
	}
	s[name] = n
	return nil
}

func (s tree) names() []string {
	all := make([]string, 0, len(s))
	for name := range s {
		all = append(all, name)
	}
	sort.Strings(all)
	return all
}

// restore makes the paths as they were. What is right already stays untouched.
func (s tree) restore(t *testing.T, patterns ...string) {
	t.Helper()
	now := capture(t, patterns...)
	old := now.names()
	for _, name := range slices.Backward(old) {
		if want, there := s[name]; !there || want.mode.Type() != now[name].mode.Type() {
			if err := os.RemoveAll(name); err != nil {
				t.Fatal(err)
			}
			delete(now, name)
		}
	}
	for _, name := range s.names() {
		if is, there := now[name]; !there || is.mode != s[name].mode || is.text != s[name].text {
			if err := s[name].put(name); err != nil {
				t.Fatal(err)
			}
		}
	}
}

func (n node) put(name string) error {
	if n.mode&fs.ModeSymlink != 0 {
		os.Remove(name)
		return os.Symlink(n.text, name)
	}
	if n.mode.IsDir() {
		if err := os.Mkdir(name, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
			return err
		}
		return os.Chmod(name, n.mode)
	}
	if err := os.WriteFile(name, []byte(n.text), 0o600); err != nil {
		return err
	}
	return os.Chmod(name, n.mode)
}

// Of two runs these differ, and nothing depends on them.
var (
	moments  = regexp.MustCompile(`\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ`)
	identity = regexp.MustCompile(`[0-9a-f]{32}"`)
)

// key names what a tree holds, times and the host's random identity apart, and
// what lies below the stage, which no later run reads.
func (s tree) key() string {
	h := sha256.New()
	for _, name := range s.names() {
		text := s[name].text
		if strings.HasPrefix(name, stateDir+"/stage/") {
			continue
		}
		if strings.HasPrefix(name, stateDir+"/") {
			text = identity.ReplaceAllString(moments.ReplaceAllString(text, "T"), `ID"`)
		}
		fmt.Fprintf(h, "%q %v %q\n", name, s[name].mode, text)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// differs tells how one tree is unlike another, or "". stamps are compared
// where somebody wants to know that nothing was touched.
func (s tree) differs(now tree, stamps bool, but ...string) string {
	var all []string
	for _, name := range s.names() {
		is, there := now[name]
		switch {
		case slices.Contains(but, name):
		case !there:
			all = append(all, name+" is gone")
		case is.mode != s[name].mode:
			all = append(all, fmt.Sprintf("%s has mode %v, not %v", name, is.mode, s[name].mode))
		case is.text != s[name].text:
			all = append(all, fmt.Sprintf("%s differs: %d bytes, then %d", name, len(s[name].text), len(is.text)))
		case stamps && is.stamp != s[name].stamp:
			all = append(all, name+" was touched")
		}
	}
	for _, name := range now.names() {
		if _, there := s[name]; !there && !slices.Contains(but, name) {
			all = append(all, name+" is new")
		}
	}
	return strings.Join(all, ", ")
}

// below keeps what lies below some paths.
func (s tree) below(paths ...string) tree {
	some := tree{}
	for name, n := range s {
		if slices.ContainsFunc(paths, func(p string) bool {
			ok, _ := filepath.Match(p, name)
			return ok || strings.HasPrefix(name, p+"/")
		}) {
			some[name] = n
		}
	}
	return some
}
