package native

import (
	"errors"
	"io/fs"
	"slices"
	"testing"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// TestTornJavaIsPutBack has Java's store as somebody left it who was ended
// while writing it: emptied, half, or without the digest at its end.
func TestTornJavaIsPutBack(t *testing.T) {
	for _, cut := range []func(n int) int{
		func(int) int { return 0 }, func(n int) int { return n / 2 }, func(n int) int { return n - 5 },
	} {
		m := newMachine(t)
		a, b := trusttest.NewAuthority(t, "Harbour Root"), trusttest.NewAuthority(t, "Harbour Next")
		apply(t, m.d, trusttest.Change(trust.Place, a.Root()))
		if _, err := m.f.Lstat(m.d.JavaKept); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("a copy stays behind a hook that ended well: %v", err)
		}
		whole, err := m.f.ReadFile(cacerts, maxBundle)
		if err != nil {
			t.Fatal(err)
		}
		torn := string(whole[:cut(len(whole))])
		m.f.Put(t, cacerts, torn)
		if m.mends() {
			t.Error("a refresh is to put right what nobody kept")
		}
		m.f.Put(t, m.d.JavaKept, string(whole))
		if !m.mends() {
			t.Errorf("%d bytes of %d: not told as torn", len(torn), len(whole))
		}
		apply(t, m.d, trusttest.Change(trust.Place, b.Root()))
		m.state(trust.Placed, a.Root())
		m.state(trust.Placed, b.Root())
		now := observe(t, m.d).Entries
		for _, v := range m.f.Vendors {
			if len(now[v.Root().Fingerprint].In(partJava)) != 1 {
				t.Errorf("%d bytes of %d: Java no longer trusts %s", len(torn), len(whole), v.Cert.Subject)
			}
		}
		if _, err := m.f.Lstat(m.d.JavaKept); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("the copy stays: %v", err)
		}
	}
}

// TestJavaIsKeptWhileItsHookRuns lets the host die when the hook is about to
// write: what it will find in the end is a copy to put back.
func TestJavaIsKeptWhileItsHookRuns(t *testing.T) {
	m := newMachine(t)
	before, err := m.f.ReadFile(cacerts, maxBundle)
	if err != nil {
		t.Fatal(err)
	}
	seen := false
	m.f.Before = func(op, _ string) {
		if op != "keytool" {
			return
		}
		seen = true
		if kept, err := m.f.ReadFile(m.d.JavaKept, maxBundle); err != nil || string(kept) != string(before) {
			t.Errorf("no copy is kept: %d bytes, %v", len(kept), err)
		}
	}
	apply(t, m.d, trusttest.Change(trust.Place, trusttest.NewAuthority(t, "Harbour Root").Root()))
	if !seen {
		t.Error("the hook did not run")
	}
}

// mends reports a fault of Java's store that a refresh puts right.
func (m machine) mends() bool {
	m.Helper()
	p, _ := observe(m.T, m.d).Part(partJava)
	return slices.ContainsFunc(p.Faults, func(f trust.Fault) bool { return f.Mend && slices.Contains(javaTorn, f.Code) })
}
