package agent

import (
	"errors"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

func TestPlaceThenNothing(t *testing.T) {
	r := newRig(t)
	a := trusttest.NewAuthority(t, "Harbour Root 2026")
	r.root(a, only(policy.Trusted))
	file := r.signed()
	_, res := r.enforce(file, "")
	if !res.Right() || !r.holds(a) || len(res.Changes) != 1 || res.Changes[0].Err != nil {
		t.Fatalf("%+v", res)
	}
	if !r.ledger().Placed(trust.Machine, root.Of(a.Cert.Raw)) || res.Rows[0].Owner != Us {
		t.Errorf("owner %q", res.Rows[0].Owner)
	}
	before := string(r.state[ledger.File]) + string(r.state[ledger.HistoryFile]) + string(r.state[FloorFile])
	_, res = r.enforce(file, "")
	if len(res.Changes) != 0 || r.store.Applied != 1 {
		t.Fatalf("a second run changed %v, refreshed %d times", res.Changes, r.store.Applied)
	}
	if after := string(r.state[ledger.File]) + string(r.state[ledger.HistoryFile]) + string(r.state[FloorFile]); after != before {
		t.Error("a second run wrote")
	}
}

func TestManyRootsOneRefresh(t *testing.T) {
	r := newRig(t)
	for _, n := range []string{"Harbour A", "Harbour B", "Harbour C", "Harbour D"} {
		r.root(trusttest.NewAuthority(t, n), only(policy.Trusted))
	}
	if _, res := r.enforce(r.signed(), ""); !res.Right() || r.store.Applied != 1 || len(res.Changes) != 4 {
		t.Fatalf("%d refreshes, %d changes", r.store.Applied, len(res.Changes))
	}
}

func TestRetirementIsHeldUntilForced(t *testing.T) {
	r := newRig(t)
	a := trusttest.NewAuthority(t, "Harbour Root 2016")
	r.root(a, only(policy.Trusted))
	r.enforce(r.signed(), "")
	r.next()
	r.root(a, only(policy.Retired))
	file := r.signed()
	_, res := r.enforce(file, "")
	if len(res.Held) != 1 || len(res.Changes) != 0 || !r.holds(a) || res.Right() || res.Rows[0].State != trust.Lingering {
		t.Fatalf("not held: %+v", res)
	}
	if next := res.Rows[0].Next; len(next) != 1 || next[0] != res.Held[0].Next {
		t.Errorf("the row of a held step says %q, which does not let it go", next)
	}
	_, res = r.enforce(file, "every service moved")
	if r.holds(a) || !res.Right() || r.ledger().Placed(trust.Machine, root.Of(a.Cert.Raw)) {
		t.Fatalf("still there: %+v", res.Rows)
	}
	events, _, err := ledger.History(r.state)
	last := events[len(events)-1]
	if err != nil || last.Op != trust.Withdraw || last.Status != "done" || !strings.Contains(last.Why, "every service moved") {
		t.Errorf("history: %+v %v", last, err)
	}
}

func TestOmissionIsNotRemoval(t *testing.T) {
	r := newRig(t)
	a := trusttest.NewAuthority(t, "Harbour Root 2016")
	r.root(a, only(policy.Trusted))
	r.enforce(r.signed(), "")
	r.next()
	_, res := r.enforce(r.signed(), "a reason")
	if !r.holds(a) || len(res.Unlisted) != 1 || len(res.Changes) != 0 {
		t.Fatalf("an unlisted root went: %+v", res)
	}
}

// Places before withdraws, and a predecessor goes only once its successor was
// read back and proven: in the same run where it can.
func TestSuccession(t *testing.T) {
	for name, c := range map[string]struct {
		fail   error
		deny   string
		oldOut bool
	}{
		"the successor is placed and proven": {oldOut: true},
		"the successor could not be placed":  {fail: errors.New("disk full")},
		"an account cannot read it":          {deny: "no permission at /x (mode 0700)"},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t)
			old, heir := trusttest.NewAuthority(t, "Harbour Root 2016"), trusttest.NewAuthority(t, "Harbour Root 2026")
			r.root(old, only(policy.Trusted))
			r.enforce(r.signed(), "")
			r.next()
			passed := r.now.AddDate(0, 0, -1)
			r.root(old, policy.Step{Standing: policy.Retired, Deadline: &passed})
			fp := root.Of(old.Cert.Raw)
			r.root(heir, only(policy.Trusted)).Succeeds = &fp
			r.store.Fail, r.prover.deny[root.Of(heir.Cert.Raw)] = c.fail, c.deny
			_, res := r.enforce(r.signed(), "")
			if gone := !r.holds(old); gone != c.oldOut {
				t.Fatalf("gone %v: held %v, changes %+v", gone, res.Held, res.Changes)
			}
			if !c.oldOut && (len(res.Held) != 1 || !res.Held[0].Again) {
				t.Errorf("held %+v", res.Held)
			}
		})
	}
}

func TestBlockIsNeverHeld(t *testing.T) {
	r := newRig(t)
	var vendor trust.Root
	for fp, der := range r.store.Vendor {
		vendor = trust.Root{Fingerprint: fp, DER: der}
	}
	r.doc.Roots = []policy.Root{{SHA256: vendor.Fingerprint, Label: "A vendor's root", Standings: []policy.Step{{Standing: policy.Distrusted, Stage: policy.AllHosts}},
		Purposes: []string{policy.TLSServer}, Stores: []string{"machine"}}}
	_, res := r.enforce(r.signed(), "")
	if !r.store.Refuses[vendor.Fingerprint] || !res.Right() || !r.ledger().Blocked(trust.Machine, vendor.Fingerprint) {
		t.Fatalf("not blocked: %+v", res)
	}
	// A retirement would have left a package's root alone.
	r.store.Refuses = map[root.Fingerprint]bool{}
	r.next()
	r.doc.Roots = []policy.Root{{SHA256: vendor.Fingerprint, Label: "A vendor's root", Standings: []policy.Step{{Standing: policy.Retired, Stage: policy.AllHosts}},
		Purposes: []string{policy.TLSServer}, Stores: []string{"machine"}}}
	_, res = r.enforce(r.signed(), "a reason")
	if len(res.Changes) != 0 || res.Right() || !strings.Contains(strings.Join(res.Rows[0].Next, " "), "distrusted") {
		t.Fatalf("a package's root: %+v", res.Rows[0])
	}
}

// Invariant: vetting happens again on the host, and stops a root, never the
// policy.
func TestHostVetsAgain(t *testing.T) {
	r := newRig(t)
	a, good := trusttest.NewAuthority(t, "Harbour Root"), trusttest.NewAuthority(t, "Harbour Good Root")
	leaf, _ := a.Issue(t, "crane.harbour.test")
	r.root(trusttest.Authority{Cert: leaf}, only(policy.Trusted)).Label = "A server's certificate"
	r.root(good, only(policy.Trusted))
	_, res := r.enforce(r.signed(), "")
	if _, placed := r.store.Local[root.Of(leaf.Raw)]; placed || !r.holds(good) {
		t.Fatalf("leaf placed %v, good root %v", placed, r.holds(good))
	}
	if row := res.Rows[0]; row.Right || len(row.Reasons) == 0 || len(row.Next) == 0 {
		t.Errorf("the refusal is not told: %+v", row)
	}
}

func TestAFailedChangeIsTold(t *testing.T) {
	r := newRig(t)
	a := trusttest.NewAuthority(t, "Harbour Root 2026")
	r.root(a, only(policy.Trusted))
	r.store.Fail = errors.New("read-only file system")
	_, res := r.enforce(r.signed(), "")
	if len(res.Changes) != 1 || res.Changes[0].Err == nil || res.Right() {
		t.Fatalf("%+v", res.Changes)
	}
	if events, _, _ := ledger.History(r.state); len(events) != 1 || events[0].Status != "failed" || events[0].Error == "" {
		t.Errorf("history %+v", events)
	}
	if _, res = r.enforce(r.signed(), ""); !res.Right() {
		t.Error("the next run did not reach the goal")
	}
}

// A run that died after recording and before or after its effect is closed by
// what is seen, not by what was meant.
func TestADeadRunIsSettledByObservation(t *testing.T) {
	for _, took := range []bool{false, true} {
		r := newRig(t)
		a := trusttest.NewAuthority(t, "Harbour Root 2026")
		r.root(a, only(policy.Trusted))
		fp := root.Of(a.Cert.Raw)
		l := r.ledger()
		if err := l.Begin([]ledger.Intent{{Change: trust.Change{Store: trust.Machine, Op: trust.Place, Root: trust.Root{Fingerprint: fp}}}}, "harbour 1.1", clock); err != nil {
			t.Fatal(err)
		}
		if took {
			r.store.Local[fp] = a.Cert.Raw
		}
		_, res := r.enforce(r.signed(), "")
		if !res.Right() || !r.ledger().Placed(trust.Machine, fp) || len(r.ledger().Pending()) != 0 {
			t.Errorf("took effect %v: owned %v, pending %v", took, r.ledger().Owned(), r.ledger().Pending())
		}
	}
}

// Words and exit codes prove nothing: an account that cannot read the root
// turns a change that the store calls done into a failure.
func TestWhatIsNotProvenIsNotRight(t *testing.T) {
	r := newRig(t)
	a := trusttest.NewAuthority(t, "Harbour Root 2026")
	r.root(a, only(policy.Trusted))
	r.prover.deny[root.Of(a.Cert.Raw)] = "no permission at /usr/local/share/ca-certificates (mode 0700)"
	_, res := r.enforce(r.signed(), "")
	if res.Right() || res.Changes[0].Err == nil || !strings.Contains(res.Changes[0].Err.Error(), "0700") {
		t.Fatalf("%+v", res.Changes)
	}
}
