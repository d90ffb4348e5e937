//go:build unix

package host

import (
	"fmt"
	"path"
	"slices"
	"strings"
	"testing"
)

// steps records the effects on a host, with temporary names left out.
func steps(h *Host) *[]string {
	var seen []string
	h.Step = func(op, name string) error {
		if strings.HasPrefix(path.Base(name), tempPrefix) {
			name = path.Dir(name) + "/TEMP"
		}
		seen = append(seen, fmt.Sprint(op, " ", name))
		return nil
	}
	return &seen
}

// inOrder reports whether some entries stand in a list in that order.
func inOrder(list []string, want ...string) bool {
	for _, w := range want {
		i := slices.Index(list, w)
		if i < 0 {
			return false
		}
		list = list[i+1:]
	}
	return true
}

// TestWriteIsSafe wants the content on the disk before the name, and the name
// before Write returns (fsync(2): a file's entry in its folder is another
// matter than the file).
func TestWriteIsSafe(t *testing.T) {
	h := tree(t, map[string]string{"d/f": "old"})
	d, err := h.Dir("/d")
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	seen := steps(h)
	if err := d.Write("f", []byte("new"), 0o644); err != nil {
		t.Fatal(err)
	}
	if !inOrder(*seen, "write /d/TEMP", "sync /d/TEMP", "rename /d/f", "sync /d") {
		t.Errorf("the steps were %q", *seen)
	}
}

// TestEnsureIsSafe wants each new folder's own name on the disk: with it goes
// whatever was made safe inside.
func TestEnsureIsSafe(t *testing.T) {
	h := tree(t, map[string]string{"var/f": ""})
	seen := steps(h)
	d, err := h.Ensure("/var/lib/new", 0o755)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	if !inOrder(*seen, "mkdir /var/lib", "sync /var", "mkdir /var/lib/new", "sync /var/lib") {
		t.Errorf("the steps were %q", *seen)
	}
	*seen = nil
	if again, err := h.Ensure("/var/lib/new", 0o755); err != nil || len(*seen) > 0 {
		t.Errorf("a folder that is there: %v, %q", err, *seen)
	} else {
		again.Close()
	}
}

// TestErrorsNameTheWholePath has a folder that cannot be made.
func TestErrorsNameTheWholePath(t *testing.T) {
	h := tree(t, map[string]string{"d/f": "old"})
	d, err := h.Dir("/d")
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	for what, err := range map[string]error{"mkdir": d.Mkdir("f", 0o755), "rename": d.Rename("none", "g")} {
		if err == nil || !strings.Contains(err.Error(), "/d/") {
			t.Errorf("%s: %v", what, err)
		}
	}
}
