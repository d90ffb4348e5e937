package native

import (
	"maps"
	"testing"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// maxSteps is far more than any batch of these tests takes.
const maxSteps = 2000

// dying is one batch that is ended before each of its effects in turn.
type dying struct {
	name  string
	setup func(t *testing.T, f *trusttest.Fake, d *Debian)
	batch []trust.Change
	want  map[root.Fingerprint]trust.State
}

func TestDieAtEveryStep(t *testing.T) {
	a, b := trusttest.NewAuthority(t, "Harbour Root").Root(), trusttest.NewAuthority(t, "Harbour Root").Root()
	byHand := trusttest.NewAuthority(t, "Harbour By Hand")
	placed := func(t *testing.T, f *trusttest.Fake, d *Debian) {
		apply(t, d, trusttest.Change(trust.Place, a))
		f.Put(t, "/usr/local/share/ca-certificates/hand.crt", string(byHand.PEM()))
		f.Refresh(t)
	}
	for _, c := range []dying{
		{"place", nil, []trust.Change{trusttest.Change(trust.Place, a), trusttest.Change(trust.Place, b)},
			map[root.Fingerprint]trust.State{a.Fingerprint: trust.Placed, b.Fingerprint: trust.Placed}},
		{"withdraw", placed, []trust.Change{trusttest.Change(trust.Withdraw, a), trusttest.Change(trust.Withdraw, byHand.Root())},
			map[root.Fingerprint]trust.State{a.Fingerprint: trust.Absent, byHand.Root().Fingerprint: trust.Absent}},
		{"replace", placed, []trust.Change{trusttest.Change(trust.Place, b), trusttest.Change(trust.Withdraw, a)},
			map[root.Fingerprint]trust.State{a.Fingerprint: trust.Absent, b.Fingerprint: trust.Placed}},
		{"block", nil, []trust.Change{{Store: trust.Machine, Op: trust.Block}}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			for n := 1; ; n++ {
				if n > maxSteps {
					t.Fatal("no end")
				}
				if dieOnce(t, c, n) {
					if n < 20 {
						t.Errorf("only %d steps were seen", n-1)
					}
					t.Logf("died before each of %d steps", n-1)
					break
				}
			}
		})
	}
}

// dieOnce lets the host die before its n-th effect, and reports whether the
// batch went through before.
func dieOnce(t *testing.T, c dying, n int) bool {
	t.Helper()
	f := trusttest.FakeHost(t)
	d := fakeStore(t, f.Host)
	if c.setup != nil {
		c.setup(t, f, d)
	}
	want := maps.Clone(c.want)
	if want == nil {
		want = map[root.Fingerprint]trust.State{}
	}
	batch := append([]trust.Change(nil), c.batch...)
	for i := range batch {
		if batch[i].Op == trust.Block {
			batch[i].Root = f.Vendors[1].Root()
			want[batch[i].Root.Fingerprint] = trust.Refused
		}
	}
	before := f.Bundle(t)
	after := maps.Clone(before)
	for _, ch := range batch {
		delete(after, ch.Root.Fingerprint)
		if ch.Op == trust.Place {
			after[ch.Root.Fingerprint] = 1
		}
	}
	f.DieAt(n)
	f.Before = func(op, name string) {
		if now := f.Bundle(t); !maps.Equal(now, before) && !maps.Equal(now, after) {
			t.Fatalf("dying at %d: before %s %s the bundle has %d roots: neither old nor new", n, op, name, len(now))
		}
	}
	trial, err := d.Try(t.Context(), batch)
	if err == nil {
		d.Apply(t.Context(), trial)
	}
	done := !f.Died()
	f.Before = nil
	f.DieAt(0)
	if now := f.Bundle(t); !maps.Equal(now, before) && !maps.Equal(now, after) {
		t.Fatalf("died at %d: the bundle has %d roots: neither old nor new", n, len(now))
	}
	again := fakeStore(t, f.Host)
	s := observe(t, again)
	for fp, state := range want {
		if s.Placement(fp).State != state { // whoever drives the store asks again
			apply(t, again, batch...)
			tidy(t, f)
			s = observe(t, again)
			break
		}
	}
	for fp, state := range want {
		if p := s.Placement(fp); p.State != state {
			t.Fatalf("died at %d, then again: %s is %s, not %s: %q, missing %q", n, fp.Short(), p.State, state, p.Reasons, p.Missing)
		}
	}
	if now := f.Bundle(t); !maps.Equal(now, after) {
		t.Fatalf("died at %d, then again: the bundle has %d roots, not %d", n, len(now), len(after))
	}
	if done {
		tidy(t, f)
	}
	return done
}

// tidy asserts that nothing of a dead run stays.
func tidy(t *testing.T, f *trusttest.Fake) {
	t.Helper()
	for _, dir := range []string{"/etc/ssl/certs", "/usr/local/share/ca-certificates", "/etc", "/var/lib/anchorhold"} {
		entries, err := f.ReadDir(dir)
		if err != nil {
			continue
		}
		for _, e := range entries {
			if len(e.Name()) > 12 && e.Name()[:12] == ".anchorhold-" || e.Name() == "ca-certificates.crt.new" || e.Name() == "stage" {
				t.Errorf("%s/%s is left over", dir, e.Name())
			}
		}
	}
}

// apply carries a batch out that must succeed.
func apply(t *testing.T, d *Debian, batch ...trust.Change) []trust.Outcome {
	t.Helper()
	trial, err := d.Try(t.Context(), batch)
	if err != nil {
		t.Fatal(err)
	}
	out := d.Apply(t.Context(), trial)
	for _, o := range out {
		if o.Status != trust.Done {
			t.Fatalf("%s: %v, %q", o.Change, o.Err, o.Notes)
		}
	}
	return out
}

func observe(t *testing.T, d *Debian) trust.Snapshot {
	t.Helper()
	s, err := d.Observe(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return s
}
