package host

import (
	"os"
	"path/filepath"
	"testing"
)

// tree makes a host from paths: a name that ends in "/" is a folder, a value
// that begins with "-> " a link.
func tree(t *testing.T, files map[string]string) *Host {
	t.Helper()
	dir := t.TempDir()
	for name, content := range files {
		at := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(at), 0o755); err != nil {
			t.Fatal(err)
		}
		var err error
		if target, ok := cutLink(content); ok {
			err = os.Symlink(target, at)
		} else if name[len(name)-1] == '/' {
			err = os.MkdirAll(at, 0o755)
		} else {
			err = os.WriteFile(at, []byte(content), 0o644)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return At(dir)
}

func cutLink(s string) (string, bool) {
	if len(s) > 3 && s[:3] == "-> " {
		return s[3:], true
	}
	return "", false
}
