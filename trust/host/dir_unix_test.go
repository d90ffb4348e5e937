//go:build unix

package host

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

func TestWriteIsOldOrNewAtEveryStep(t *testing.T) {
	died := errors.New("died")
	for n := 1; ; n++ {
		if n > 100 {
			t.Fatal("a write has no end")
		}
		h := tree(t, map[string]string{"d/f": "old content"})
		steps := 0
		h.Step = func(op, name string) error {
			if data, err := os.ReadFile(h.below("/d/f")); err != nil || string(data) != "old content" && string(data) != "new" {
				t.Fatalf("before step %d, %s %s: %q, %v", steps+1, op, name, data, err)
			}
			if steps++; steps >= n {
				return died
			}
			return nil
		}
		d, err := h.Dir("/d")
		if err != nil {
			t.Fatal(err)
		}
		err = d.Write("f", []byte("new"), 0o644)
		if err == nil {
			if n < 6 {
				t.Fatalf("only %d steps were seen", n-1)
			}
			return
		}
		if !errors.Is(err, died) {
			t.Fatal(err)
		}
		h.Step = nil
		if err := d.Clean(); err != nil {
			t.Fatal(err)
		}
		if entries, _ := d.ReadDir(); len(entries) != 1 {
			t.Fatalf("died at step %d: %d entries after cleaning", n, len(entries))
		}
	}
}

func TestModesDoNotDependOnTheUmask(t *testing.T) {
	defer syscall.Umask(syscall.Umask(0o077))
	h := tree(t, map[string]string{})
	d, err := h.Ensure("/var/lib/deep", 0o755)
	if err != nil {
		t.Fatal(err)
	}
	if err := d.Write("f", nil, 0o644); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]fs.FileMode{"/var/lib/deep": 0o755, "/var": 0o755, "/var/lib/deep/f": 0o644} {
		if fi, err := h.Stat(name); err != nil || fi.Mode().Perm() != want {
			t.Errorf("%s: %v, %v", name, fi.Mode(), err)
		}
	}
}

func TestDirRefuses(t *testing.T) {
	h := tree(t, map[string]string{"good/": "", "file": "", "link": "-> good", "open/sub/": "", "usr/local/share/": "", "etc/group": "root:x:0:\nstaff:x:50:\n"})
	if err := os.Chmod(h.below("/open"), 0o777); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"/file", "/link", "/missing", "/open", "/open/sub"} {
		if d, err := h.Dir(name); err == nil {
			t.Errorf("%s was opened as %s", name, d.Path())
		}
	}
	var exposed *Exposed
	if _, err := h.Dir("/open/sub"); !errors.As(err, &exposed) || exposed.Path != "/open" {
		t.Errorf("the exposed folder is not named: %v", err)
	}
	d, err := h.Dir("/good")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"", ".", "..", "a/b", "../x", "a\nb", strings.Repeat("x", 256)} {
		if err := d.Write(name, nil, 0o644); err == nil {
			t.Errorf("wrote %q", name)
		}
	}
	if os.Getuid() != 0 {
		t.Skip("the rest needs root: it gives folders away")
	}
	if err := os.Chown(h.below("/usr/local/share"), 0, 50); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(h.below("/usr/local/share"), 0o2775|fs.ModeSetgid); err != nil {
		t.Fatal(err)
	}
	if d, err := h.Dir("/usr/local/share"); err != nil || len(d.Notes()) != 1 {
		t.Errorf("staff's folder: %v", err)
	}
	if err := os.Chown(h.below("/good"), 1234, 0); err != nil {
		t.Fatal(err)
	}
	if _, err := h.Dir("/good"); !errors.As(err, &exposed) || exposed.UID != 1234 {
		t.Errorf("somebody's folder: %v", err)
	}
}

func TestDirFollowsNoLink(t *testing.T) {
	outside := filepath.Join(t.TempDir(), "outside")
	if err := os.WriteFile(outside, []byte("outside"), 0o600); err != nil {
		t.Fatal(err)
	}
	h := tree(t, map[string]string{"d/planted": "-> " + outside, "d/near": "-> file", "d/file": "x"})
	d, err := h.Dir("/d")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"planted", "near"} {
		if _, err := d.ReadFile(name, 100); err == nil {
			t.Errorf("read through %s", name)
		}
		if err := d.Chmod(name, 0o777); err == nil {
			t.Errorf("changed a mode through %s", name)
		}
	}
	if err := d.Write("planted", []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	if data, _ := os.ReadFile(outside); string(data) != "outside" {
		t.Error("a write went through a link")
	}
	if err := d.Symlink("file", "planted"); err == nil {
		t.Error("a link replaced a file")
	}
	if err := d.Symlink("elsewhere", "near"); err != nil {
		t.Error(err)
	}
	if target, _ := d.Readlink("near"); target != "elsewhere" {
		t.Errorf("the link says %q", target)
	}
}
