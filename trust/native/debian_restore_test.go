package native

import (
	"context"
	"os"
	"path"
	"testing"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// Java's hook knows only the live store. Where it spoils it, the former one is
// put back, unless somebody else was there since.
func TestRestoreJava(t *testing.T) {
	for name, c := range map[string]struct {
		part    string
		since   string // what somebody writes after the refresh
		missing bool   // there was no store before
		back    bool
	}{
		"torn by the hook":        {part: partJava, back: true},
		"made by the hook":        {part: partJava, missing: true, back: true},
		"changed by others since": {part: partJava, since: "theirs"},
		"another part":            {part: partBundle},
	} {
		t.Run(name, func(t *testing.T) {
			m := newMachine(t)
			file := m.f.Real(cacerts)
			if c.missing {
				if err := os.Remove(file); err != nil {
					t.Fatal(err)
				}
			}
			was, _ := os.ReadFile(file)
			tool := m.f.Tool
			m.f.Tool = func(ctx context.Context, cmd host.Cmd) (host.Result, error) {
				if path.Base(cmd.Path) == "jks-keystore" {
					return host.Result{}, os.WriteFile(file, []byte("torn"), 0o644)
				}
				return tool(ctx, cmd)
			}
			a := trusttest.NewAuthority(t, "Harbour Root")
			trial, err := m.d.Try(m.Context(), []trust.Change{trusttest.Change(trust.Place, a.Root())})
			if err != nil {
				t.Fatal(err)
			}
			m.d.Apply(m.Context(), trial)
			if c.since != "" {
				m.f.Put(t, cacerts, c.since)
			}
			err = trial.(trust.Restorer).Restore(m.Context(), c.part)
			if (err == nil) != c.back {
				t.Fatalf("%v", err)
			}
			now, readErr := os.ReadFile(file)
			want := string(was)
			if !c.back {
				want = "torn"
				if c.since != "" {
					want = c.since
				}
			}
			if string(now) != want || c.missing != os.IsNotExist(readErr) {
				t.Errorf("%.20q, want %.20q, %v", now, want, readErr)
			}
			if fi, err := os.Stat(file); err == nil && fi.Mode().Perm() != 0o644 {
				t.Errorf("mode %04o", fi.Mode().Perm())
			}
		})
	}
	m := newMachine(t)
	trial, err := m.d.Try(m.Context(), []trust.Change{trusttest.Change(trust.Place, m.f.Vendors[0].Root())})
	if err != nil {
		t.Fatal(err)
	}
	if err := trial.(trust.Restorer).Restore(m.Context(), partJava); err == nil {
		t.Error("put back what was never changed")
	}
}
