package native

import (
	"bytes"
	"context"
	"errors"
	"os"
	"slices"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/trusttest"
)

func TestToolThatDoesNothing(t *testing.T) {
	m := newMachine(t)
	a := trusttest.NewAuthority(t, "Harbour Root")
	before := m.tree()
	m.f.Tool = func(context.Context, host.Cmd) (host.Result, error) {
		return host.Result{Stdout: []byte("1 added, 0 removed; done.\n")}, nil
	}
	if _, err := m.d.Try(t.Context(), []trust.Change{trusttest.Change(trust.Place, a.Root())}); err == nil {
		t.Error("a tool that does nothing was believed")
	}
	if m.tree() != before {
		t.Error("a failed trial changed the store")
	}
}

// TestToolThatLies lets the refresh exit 0 with a bundle that is wrong.
func TestToolThatLies(t *testing.T) {
	a, b := trusttest.NewAuthority(t, "Harbour Root"), trusttest.NewAuthority(t, "Harbour Old")
	batch := []trust.Change{trusttest.Change(trust.Place, a.Root()), trusttest.Change(trust.Withdraw, b.Root())}
	for name, spoil := range map[string]func(bundle []byte) []byte{
		"everything twice": func(x []byte) []byte { return append(x, x...) },
		"cut short":        func(x []byte) []byte { return x[:len(x)-40] },
		"ours is missing":  func(x []byte) []byte { return bytes.Replace(x, a.PEM(), nil, 1) },
		"gone, and there":  func(x []byte) []byte { return append(x, b.PEM()...) },
		"glued":            func(x []byte) []byte { return bytes.ReplaceAll(x, []byte("-----\n-----"), []byte("----------")) },
		"a bad block": func(x []byte) []byte {
			return append([]byte("-----BEGIN CERTIFICATE-----\n!!!!\n-----END CERTIFICATE-----\n"), x...)
		},
		"text behind END": func(x []byte) []byte {
			return bytes.Replace(x, []byte("END CERTIFICATE-----\n"), []byte("END CERTIFICATE----- x\n"), 1)
		},
		"empty": func(x []byte) []byte { return nil },
	} {
		m := newMachine(t)
		m.f.Put(t, local+"old.crt", string(b.PEM()))
		m.f.Refresh(t)
		before, tool := m.tree(), m.f.Tool
		m.f.Tool = func(ctx context.Context, c host.Cmd) (host.Result, error) {
			r, err := tool(ctx, c)
			if i := slices.Index(c.Args, "--etccertsdir"); i >= 0 {
				at := m.f.Real(c.Args[i+1] + "/ca-certificates.crt")
				data, err := os.ReadFile(at)
				if err == nil {
					err = os.WriteFile(at, spoil(data), 0o644)
				}
				if err != nil {
					t.Error(err)
				}
			}
			return r, err
		}
		if _, err := m.d.Try(t.Context(), batch); err == nil {
			t.Errorf("%s: the refresh was believed", name)
		}
		if m.tree() != before {
			t.Errorf("%s: a failed trial changed the store", name)
		}
	}
}

// TestSourcesThatCannotBeRead must not be taken for sources that are gone.
func TestSourcesThatCannotBeRead(t *testing.T) {
	a := trusttest.NewAuthority(t, "Harbour Root")
	for name, spoil := range map[string]func(m machine, at string) error{
		"/etc/ca-certificates.conf":        func(m machine, at string) error { return os.Mkdir(at, 0o755) },
		"/usr/local/share/ca-certificates": func(m machine, at string) error { return os.WriteFile(at, nil, 0o644) },
	} {
		m := newMachine(t)
		if err := os.RemoveAll(m.f.Real(name)); err != nil {
			t.Fatal(err)
		}
		if err := spoil(m, m.f.Real(name)); err != nil {
			t.Fatal(err)
		}
		if p, _ := observe(t, m.d).Part(partSource); p.Unread == "" {
			t.Errorf("%s: the source counts as read", name)
		}
		if _, err := m.d.Try(t.Context(), []trust.Change{trusttest.Change(trust.Place, a.Root())}); err == nil {
			t.Errorf("%s: a store was built without it", name)
		}
	}
}

// TestLeftoversOfDeadRuns has temporary files and a half-made bundle around.
func TestLeftoversOfDeadRuns(t *testing.T) {
	m := newMachine(t)
	for _, name := range []string{"/etc/ssl/certs/.anchorhold-0123456789abcdef.tmp", local + ".anchorhold-0123456789abcdef.tmp", "/var/lib/anchorhold/stage/certs/x.pem"} {
		m.f.Put(t, name, "torn")
	}
	half := "/etc/ssl/certs/ca-certificates.crt.new"
	m.f.Put(t, half, "-----BEGIN CERTIFICATE-----\nMIIB")
	now := time.Now()
	m.d.Now = func() time.Time { return now }
	a := trusttest.NewAuthority(t, "Harbour Root")
	if err := os.Chtimes(m.f.Real(half), now, now); err != nil {
		t.Fatal(err)
	}
	apply(t, m.d, trusttest.Change(trust.Place, a.Root()))
	if _, err := m.f.Lstat(half); err != nil {
		t.Error("a half-made bundle that may be somebody's work was removed")
	}
	now = now.Add(time.Minute)
	apply(t, m.d, trusttest.Change(trust.Place, a.Root()))
	tidy(t, m.f)
}

// TestDpkgIsWaitedFor has a package manager at work: Java's hook would fail.
func TestDpkgIsWaitedFor(t *testing.T) {
	python := trusttest.Need(t, "python3")[0]
	m := newMachine(t)
	m.d.QuietLimit = 300 * time.Millisecond
	lock := "/var/lib/dpkg/lock-frontend"
	m.f.Put(t, lock, "")
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		host.System().Run(ctx, host.Cmd{Path: python, Args: []string{"-c",
			"import fcntl,sys,time; f=open(sys.argv[1],'r+'); fcntl.lockf(f, fcntl.LOCK_EX); open(sys.argv[1]+'.held','w'); time.sleep(50)", m.f.Real(lock)}})
	}()
	for range 1000 {
		if _, err := m.f.Stat(lock + ".held"); err == nil {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	a := trusttest.NewAuthority(t, "Harbour Root")
	o := m.try(trusttest.Change(trust.Place, a.Root()))
	var busy *host.Busy
	if o.Status != trust.Failed || !errors.As(o.Err, &busy) || busy.Path != lock {
		t.Errorf("%s, %v", o.Status, o.Err)
	}
	if p := m.state(trust.Incomplete, a.Root()); !slices.Equal(p.Missing, []string{partJava}) {
		t.Errorf("missing %q", p.Missing)
	}
	cancel()
	<-ended
	apply(t, m.d, trusttest.Change(trust.Place, a.Root()))
	m.state(trust.Placed, a.Root())
}
