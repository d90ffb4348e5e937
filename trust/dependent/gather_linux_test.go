package dependent

import (
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"testing"

	"golang.org/x/sys/unix"
)

// TestGatherForbidden has a folder and files that this account may not read.
func TestGatherForbidden(t *testing.T) {
	old := newRoot(t, "Harbour Root 2016")
	m := newMachine(t)
	m.write("/etc/haproxy/haproxy.cfg", []byte("bind :1 ssl crt /etc/harbour/tide.pem crt /etc/shut/a.pem"))
	m.write("/etc/harbour/tide.pem", inPEM(old.server(t, "tide.harbour.test", years(1))))
	m.write("/etc/shut/a.pem", inPEM(old.server(t, "a.harbour.test", years(1))))
	m.write("/etc/nginx/nginx.conf", nil)
	for name, mode := range map[string]os.FileMode{"/etc/harbour/tide.pem": 0, "/etc/shut": 0, "/etc/nginx/nginx.conf": 0} {
		if err := os.Chmod(filepath.Join(m.dir, name), mode); err != nil {
			t.Fatal(err)
		}
		defer os.Chmod(filepath.Join(m.dir, name), 0o700)
	}
	asNobody(t, filepath.Dir(m.dir))
	a := m.gather(old)
	if got := a.missed(Forbidden); len(a.Files) != 0 || !slices.Equal(got, []string{"/etc/nginx/nginx.conf", "/etc/harbour/tide.pem", "/etc/shut/a.pem"}) {
		t.Errorf("forbidden %q in %+v", got, a)
	}
}

// asNobody takes root's rights over files away from this test, as the account
// of least rights has them, until it ends (setfsuid(2)). dir is opened to it.
func asNobody(t *testing.T, dir string) {
	t.Helper()
	if os.Geteuid() != 0 {
		return
	}
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	runtime.LockOSThread()
	t.Cleanup(func() {
		unix.Setfsuid(0)
		runtime.UnlockOSThread()
	})
	if err := unix.Setfsuid(65534); err != nil {
		t.Fatal(err)
	}
}
