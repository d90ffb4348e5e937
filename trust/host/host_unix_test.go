//go:build unix

package host

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

func TestLinksStayInside(t *testing.T) {
	h := tree(t, map[string]string{
		"etc/real":      "inside",
		"etc/absolute":  "-> /etc/real",
		"etc/climbing":  "-> ../../../../../../etc/real",
		"etc/folder":    "-> /usr/x",
		"usr/x/file":    "behind",
		"etc/loop":      "-> loop",
		"etc/elsewhere": "-> /proc/self/status",
	})
	for name, want := range map[string]string{
		"/etc/real": "inside", "/etc/absolute": "inside", "/etc/climbing": "inside", "/etc/folder/file": "behind",
	} {
		got, err := h.ReadFile(name, 100)
		if err != nil || string(got) != want {
			t.Errorf("%s: %q, %v", name, got, err)
		}
		real, err := h.Resolve(name)
		if err != nil {
			t.Errorf("resolve %s: %v", name, err)
		}
		if data, err := os.ReadFile(h.below(real)); err != nil || string(data) != want {
			t.Errorf("%s is really %s: %q, %v", name, real, data, err)
		}
	}
	if _, err := h.ReadFile("/etc/elsewhere", 1<<20); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a link led out of the tree: %v", err)
	}
	if _, err := h.Resolve("/etc/loop"); err == nil {
		t.Error("a loop has an end")
	}
	if _, err := h.ReadFile("/etc/loop", 10); err == nil {
		t.Error("a loop was read")
	}
	if target, err := h.Readlink("/etc/absolute"); err != nil || target != "/etc/real" {
		t.Errorf("readlink: %q, %v", target, err)
	}
	if fi, err := h.Lstat("/etc/folder/file"); err != nil || fi.Size() != 6 {
		t.Errorf("lstat behind a linked folder: %v", err)
	}
}

func TestReadIsBounded(t *testing.T) {
	h := tree(t, map[string]string{"ten": "0123456789", "dir/": ""})
	if data, err := h.ReadFile("/ten", 10); err != nil || len(data) != 10 {
		t.Errorf("at the bound: %q, %v", data, err)
	}
	if _, err := h.ReadFile("/ten", 9); !errors.Is(err, ErrTooLarge) {
		t.Errorf("over the bound: %v", err)
	}
	if _, err := h.ReadFile("/dir", 9); !errors.Is(err, ErrNotRegular) {
		t.Errorf("a folder: %v", err)
	}
	if err := syscall.Mkfifo(filepath.Join(h.Root, "pipe"), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := h.ReadFile("/pipe", 9); !errors.Is(err, ErrNotRegular) {
		t.Errorf("a pipe: %v", err)
	}
	// Files whose size is told as zero have content all the same.
	if data, err := System().ReadFile("/proc/self/status", 1<<20); err != nil || len(data) < 100 {
		t.Errorf("/proc: %d bytes, %v", len(data), err)
	}
	if _, err := System().ReadFile("/proc/self/status", 9); !errors.Is(err, ErrTooLarge) {
		t.Errorf("/proc, over the bound: %v", err)
	}
}

func TestReach(t *testing.T) {
	h := tree(t, map[string]string{
		"a/b/file":   "x",
		"a/link":     "-> b/file",
		"c/far":      "-> ../a/link",
		"a/gone":     "-> nowhere",
		"shut/inner": "x",
		"to/shut":    "-> /shut/inner",
	})
	p := h.Paths(nil)
	for _, name := range []string{"/a/b/file", "/a/link", "/c/far", "/a"} {
		if stop, err := p.Reach(name); stop != nil || err != nil {
			t.Errorf("%s: %v, %v", name, stop, err)
		}
	}
	if _, err := p.Reach("/a/gone"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a link into nothing: %v", err)
	}
	mode := func(name string, m fs.FileMode) {
		t.Helper()
		if err := os.Chmod(h.below(name), m); err != nil {
			t.Fatal(err)
		}
	}
	mode("/shut", 0o700)
	mode("/a/b/file", 0o640)
	for name, want := range map[string]Stop{
		"/shut/inner": {"/shut", 0o700, 0o011},
		"/to/shut":    {"/shut", 0o700, 0o011},
		"/c/far":      {"/a/b/file", 0o640, 0o004},
	} {
		stop, err := h.Paths(nil).Reach(name)
		if err != nil || stop == nil || stop.Path != want.Path || stop.Mode.Perm() != want.Mode || stop.Missing != want.Missing {
			t.Errorf("%s: %v, %v", name, stop, err)
		}
	}
	self := &Account{UID: uint32(os.Getuid()), GID: uint32(os.Getgid())}
	if stop, err := h.Paths(self).Reach("/shut/inner"); stop != nil || err != nil {
		t.Errorf("the owner is stopped: %v, %v", stop, err)
	}
	group := &Account{UID: 12345, GID: 54321, Groups: []uint32{uint32(os.Getgid())}}
	if stop, err := h.Paths(group).Reach("/a/b/file"); stop != nil || err != nil {
		t.Errorf("a member of the group is stopped: %v, %v", stop, err)
	}
}
