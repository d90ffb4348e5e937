package agent

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// A root that went by a decision and is brought back goes again without a new
// one; what that breaks is told, and how to keep the root for a while.
func TestWhatIsBroughtBackGoesAgain(t *testing.T) {
	r := newRig(t)
	old, heir := trusttest.NewAuthority(t, "Harbour Root 2016"), trusttest.NewAuthority(t, "Harbour Root 2026")
	fp := root.Of(old.Cert.Raw)
	r.store.Local[fp] = old.Cert.Raw
	w := r.probing("crane")
	w.serves[at443("crane")] = under(heir)
	r.root(old, only(policy.Retired))
	r.root(heir, only(policy.Trusted))
	file := r.signed()
	if _, res := r.enforce(file, ""); r.holds(old) || !res.Right() || res.Rows[0].Gone == nil || res.Rows[0].Gone.How != ledger.Moved {
		t.Fatalf("%s", brief(res))
	}
	r.now = r.now.AddDate(0, 0, 3)
	if _, res := r.enforce(file, ""); len(res.Changes) != 0 || res.Rows[0].Gone == nil || !res.Rows[0].Gone.Since.Equal(clock) {
		t.Fatalf("gone since %+v", res.Rows[0].Gone)
	}
	// It comes back, and by now the crane verifies by it alone.
	r.store.Local[fp] = old.Cert.Raw
	w.serves[at443("crane")], w.asked = under(old), nil
	_, res := r.enforce(file, "")
	if r.holds(old) || len(res.Held) != 0 || len(res.Changes) != 1 || res.Changes[0].Err != nil {
		t.Fatalf("%s", brief(res))
	}
	ch := res.Changes[0]
	if len(ch.Breaks) != 1 || ch.Breaks[0].Service != "crane" || len(ch.Notes) != 1 || !strings.Contains(ch.Change.Why, "something brought it back") {
		t.Fatalf("%+v", ch)
	}
	says(t, ch.Notes[0], "crane", "anchorhold suspend "+fp.Short())
	if stone, _ := r.ledger().Gone(trust.Machine, fp); !stone.Since.Equal(r.now) || stone.How != ledger.Moved {
		t.Errorf("%+v", stone)
	}
	// Also under a policy that has expired: it was in force before.
	r.store.Local[fp] = old.Cert.Raw
	r.now = r.doc.Expires.AddDate(0, 0, 1)
	if r.enforce(file, ""); r.holds(old) {
		t.Error("a stale policy does not keep out what was out")
	}
	// Trusted again, there is no tombstone, and the next retirement waits.
	r.next()
	r.root(old, only(policy.Trusted))
	r.enforce(r.signed(), "")
	if _, gone := r.ledger().Gone(trust.Machine, fp); gone || !r.holds(old) {
		t.Fatal("trusted, and gone")
	}
	r.next()
	r.root(old, only(policy.Retired))
	if _, res := r.enforce(r.signed(), ""); len(res.Held) != 1 || !r.holds(old) {
		t.Fatalf("%s", brief(res))
	}
}

// Somebody else took a lingering root out: that is told, and decides nothing.
func TestWhatSomebodyElseTookOut(t *testing.T) {
	r := newRig(t)
	old := trusttest.NewAuthority(t, "Harbour Root 2016")
	fp := root.Of(old.Cert.Raw)
	r.store.Local[fp] = old.Cert.Raw
	w := r.probing("crane")
	w.serves[at443("crane")] = under(old)
	r.root(old, only(policy.Retired))
	file := r.signed()
	if _, res := r.enforce(file, ""); len(res.Held) != 1 {
		t.Fatalf("%s", brief(res))
	}
	delete(r.store.Local, fp)
	_, res := r.enforce(file, "")
	if !res.Right() || res.Rows[0].Gone == nil || res.Rows[0].Gone.How != ledger.Found {
		t.Fatalf("%+v", res.Rows[0])
	}
	r.store.Local[fp] = old.Cert.Raw
	if _, res := r.enforce(file, ""); len(res.Held) != 1 || !r.holds(old) {
		t.Fatalf("nobody decided that it goes: %s", brief(res))
	}
	// One that was never here has no tombstone.
	never := newRig(t)
	never.root(old, only(policy.Retired))
	if _, res := never.enforce(never.signed(), ""); !res.Right() || res.Rows[0].Gone != nil || never.state[ledger.File] != nil {
		t.Errorf("%+v, %s", res.Rows[0], never.state[ledger.File])
	}
}

// What let a root go is remembered with it.
func TestHowItWent(t *testing.T) {
	past := clock.AddDate(0, 0, -1)
	for how, c := range map[ledger.How]struct {
		step  policy.Step
		force string
	}{
		ledger.Moved:      {only(policy.Retired), ""},
		ledger.Forced:     {only(policy.Retired), "agreed"},
		ledger.Deadline:   {policy.Step{Standing: policy.Retired, Deadline: &past}, ""},
		ledger.Until:      {policy.Step{Standing: policy.Trusted, Until: &past}, ""},
		ledger.Distrusted: {only(policy.Distrusted), ""},
	} {
		r := newRig(t)
		a := trusttest.NewAuthority(t, "Harbour Root 2016")
		r.store.Local[root.Of(a.Cert.Raw)] = a.Cert.Raw
		r.probing()
		r.root(a, c.step)
		_, res := r.enforce(r.signed(), c.force)
		if row := res.Rows[0]; row.Gone == nil || row.Gone.How != how || row.Gone.Policy != "harbour 1.1" {
			t.Errorf("%s: %+v", how, res.Rows[0].Gone)
		}
	}
}

// A trial root retires itself, by the same guard.
func TestATrialRootRetiresItself(t *testing.T) {
	r := newRig(t)
	a := trusttest.NewAuthority(t, "Harbour Trial")
	w := r.probing("crane")
	w.serves[at443("crane")] = under(a)
	until := clock.AddDate(0, 0, 10)
	r.root(a, policy.Step{Standing: policy.Trusted, Until: &until})
	file := r.signed()
	_, res := r.enforce(file, "")
	if !r.holds(a) || !res.Right() || res.Rows[0].Want.Until == nil {
		t.Fatalf("%s", brief(res))
	}
	says(t, strings.Join(res.Rows[0].Notes, " "), "trusted until 2026-12-05")
	r.now = until.Add(-time.Second)
	if _, res = r.enforce(file, ""); !res.Right() || len(res.Changes) != 0 || len(w.asked) != 0 {
		t.Fatalf("before its day: %s", brief(res))
	}
	r.now = until
	if p := r.preview(file); len(p.Held) != 1 || p.Rows[0].Want.Until == nil {
		t.Fatalf("%s", brief(p))
	}
	if _, res = r.enforce(file, ""); !r.holds(a) || len(res.Held) != 1 || res.Held[0].Services[0].Service != "crane" {
		t.Fatalf("not held: %s", brief(res))
	}
	w.serves[at443("crane")] = vendors(r)
	if _, res = r.enforce(file, ""); r.holds(a) || !res.Right() || !strings.Contains(res.Changes[0].Change.Why, "trusted until 2026-12-05") {
		t.Fatalf("%s", brief(res))
	}
}

// reading says of every reader which roots of the store it finds.
type reading struct {
	store *trusttest.Memory
	keeps root.Fingerprint // what Java does not let go
	asked int
}

func (w *reading) Attest(ctx context.Context, _ []trust.Part) []trust.Testimony {
	w.asked++
	s, _ := w.store.Observe(ctx)
	var all []root.Fingerprint
	for fp, e := range s.Entries {
		if len(e.In("bundle")) > 0 {
			all = append(all, fp)
		}
	}
	java := slices.Clone(all)
	if !w.keeps.IsZero() {
		java = append(java, w.keeps)
	}
	return []trust.Testimony{
		{Reader: "OpenSSL", Part: trust.BundlePart, Roots: trust.SortRoots(all)},
		{Reader: "Java", Part: trust.JavaPart, Roots: trust.SortRoots(java)},
		{Reader: "GnuTLS", Part: trust.BundlePart, Unheard: "it is not installed"},
	}
}

// After a withdraw or a block every reader that is heard no longer reads the
// root: else the change is not done.
func TestProvenAbsentByEveryReader(t *testing.T) {
	for _, standing := range []policy.Standing{policy.Retired, policy.Distrusted} {
		for _, keeps := range []bool{false, true} {
			r := newRig(t)
			a, stays := trusttest.NewAuthority(t, "Harbour Root 2016"), trusttest.NewAuthority(t, "Harbour Root 2026")
			fp := root.Of(a.Cert.Raw)
			r.store.Local[fp] = a.Cert.Raw
			r.store.Local[root.Of(stays.Cert.Raw)] = stays.Cert.Raw
			r.probing()
			w := &reading{store: r.store}
			if keeps {
				w.keeps = fp
			}
			r.seen = w
			r.root(a, only(standing))
			r.root(stays, only(policy.Trusted))
			_, res := r.enforce(r.signed(), "")
			ch := res.Changes[0]
			if r.holds(a) || len(res.Changes) != 1 || (ch.Err != nil) != keeps {
				t.Fatalf("%s, kept %v: %+v", standing, keeps, res.Changes)
			}
			want := []string{"OpenSSL", "Java"}
			if keeps {
				want = want[:1]
				says(t, ch.Err.Error(), "Java still reads")
			}
			if !slices.Equal(ch.Absent, want) || keeps != slices.Equal(ch.StillRead, []string{"Java"}) {
				t.Errorf("absent by %q, still read by %q", ch.Absent, ch.StillRead)
			}
			if _, gone := r.ledger().Gone(trust.Machine, fp); gone == keeps {
				t.Errorf("kept %v, tombstone %v", keeps, gone)
			}
			events, _, _ := ledger.History(r.state)
			if last := events[len(events)-1]; (last.Status == ledger.Done) == keeps {
				t.Errorf("history: %+v", last)
			}
		}
	}
}
