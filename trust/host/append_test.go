package host

import "testing"

func TestAppendEndsATornLine(t *testing.T) {
	h := tree(t, map[string]string{"d/log": "whole\nto"})
	d, err := h.Dir("/d")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"log", "new"} {
		for _, line := range []string{"one\n", "two\n"} {
			if err := d.Append(name, []byte(line), 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	for name, want := range map[string]string{"log": "whole\nto\none\ntwo\n", "new": "one\ntwo\n"} {
		if got, err := d.ReadFile(name, 100); err != nil || string(got) != want {
			t.Errorf("%s: %q, %v; want %q", name, got, err, want)
		}
	}
	if fi, err := d.Lstat("new"); err != nil || fi.Mode().Perm() != 0o600 {
		t.Errorf("mode %v, %v", fi.Mode(), err)
	}
	if err := d.Append("../log", []byte("x\n"), 0o600); err == nil {
		t.Error("added outside the folder")
	}
}
