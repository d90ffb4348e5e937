package trusttest

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
)

// ErrDied is what every effect ends with from the step on at which a fake
// host died.
var ErrDied = errors.New("the host died")

// Fake is a small machine of Debian's family in a folder of its own, with
// tools that behave as the real ones were measured to.
type Fake struct {
	*host.Host
	Vendors []Authority // roots of its package

	// Before is called before every effect, where it is set.
	Before func(op, path string)
	// Refreshes counts the runs of the platform's refresh.
	Refreshes int
	// JavaBroken makes Java's hook fail.
	JavaBroken bool

	mu    sync.Mutex
	steps int
	dieAt int
}

// fakeVendors is how many roots the fake's package has.
const fakeVendors = 4

// FakeHost makes such a machine, with Java, and refreshes it once.
func FakeHost(t testing.TB) *Fake {
	t.Helper()
	dir := quickDir(t)
	f := &Fake{Host: host.At(dir)}
	f.Step, f.Tool = f.step, f.run
	var conf, list strings.Builder
	conf.WriteString("# which roots of the vendor are trusted\n")
	for i := range fakeVendors {
		a := NewAuthority(t, fmt.Sprintf("Harbour Vendor %d", i))
		f.Vendors = append(f.Vendors, a)
		name := fmt.Sprintf("vendor/Vendor_%d.crt", i)
		f.Put(t, "/usr/share/ca-certificates/"+name, string(a.PEM()))
		fmt.Fprintln(&conf, name)
		fmt.Fprintln(&list, "/usr/share/ca-certificates/"+name)
	}
	f.Put(t, fakeConf, conf.String())
	f.Put(t, "/var/lib/dpkg/info/ca-certificates.list", list.String())
	f.Put(t, "/etc/os-release", "ID=debian\n")
	f.Put(t, fakeTool, "#!/bin/sh\n# --certsconf --certsdir --localcertsdir --etccertsdir --hooksdir\n")
	f.Put(t, fakeHooks+"/jks-keystore", "#!/bin/sh\n")
	f.Put(t, "/usr/bin/java", "#!/bin/sh\n")
	for _, name := range []string{fakeTool, fakeHooks + "/jks-keystore", "/usr/bin/java"} {
		if err := os.Chmod(f.Real(name), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	for _, dir := range []string{fakeLocal, fakeCerts + "/java", "/tmp"} {
		if err := os.MkdirAll(f.Real(dir), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	f.Put(t, fakeJava, string(KeyStore(nil)))
	f.Refresh(t)
	return f
}

// quickDir makes a folder in memory where there is such a place: the fake
// syncs a lot, and nobody needs it after a power failure. Observers of other
// accounts can enter it.
func quickDir(t testing.TB) string {
	t.Helper()
	const memory = "/dev/shm"
	where := ""
	if fi, err := os.Stat(memory); err == nil && fi.IsDir() {
		where = memory
	}
	dir, err := os.MkdirTemp(where, "harbour-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return dir
}

// Real returns where a path of the machine lies; its folders must be no links.
func (f *Fake) Real(name string) string { return filepath.Join(f.Root, filepath.FromSlash(name)) }

// Put writes a file and the folders above it, as somebody of the machine.
func (f *Fake) Put(t testing.TB, name, content string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(f.Real(name)), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(f.Real(name), []byte(content), 0o644); err != nil {
		t.Fatal(err)
	}
}

// Refresh runs the platform's refresh as an administrator would.
func (f *Fake) Refresh(t testing.TB, args ...string) {
	t.Helper()
	if _, err := f.run(t.Context(), host.Cmd{Path: fakeTool, Args: args}); err != nil {
		t.Fatal(err)
	}
}

// DieAt lets the host die before its n-th effect from now on; 0 lets it live.
func (f *Fake) DieAt(n int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.steps, f.dieAt = 0, n
}

// Steps returns how many effects there were since DieAt.
func (f *Fake) Steps() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.steps
}

// Died reports whether the host died.
func (f *Fake) Died() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.dieAt > 0 && f.steps >= f.dieAt
}

func (f *Fake) step(op, name string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.dieAt > 0 && f.steps+1 >= f.dieAt {
		f.steps = f.dieAt
		return fmt.Errorf("%w before it could %s %s", ErrDied, op, name)
	}
	f.steps++
	if f.Before != nil {
		f.Before(op, name)
	}
	return nil
}

// run plays the programs of the machine.
func (f *Fake) run(ctx context.Context, c host.Cmd) (host.Result, error) {
	if err := ctx.Err(); err != nil {
		return host.Result{}, err
	}
	switch {
	case c.Path == fakeTool:
		f.Refreshes++
		return f.refresh(ctx, c)
	case c.Path == fakeHooks+"/jks-keystore":
		return f.javaHook(c)
	case path.Dir(c.Path) == fakeHooks:
		return host.Result{}, nil
	}
	return host.Result{}, fmt.Errorf("there is no program %s on this machine", c.Path)
}

// Bundle returns the roots of the machine's bundle.
func (f *Fake) Bundle(t testing.TB) map[root.Fingerprint]int {
	t.Helper()
	data, err := f.ReadFile(fakeCerts+"/"+fakeBundle, 1<<24)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Fatal(err)
	}
	m := map[root.Fingerprint]int{}
	blocks, _ := root.Scan(data)
	for _, b := range blocks {
		m[b.Fingerprint]++
	}
	return m
}
