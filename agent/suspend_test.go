package agent

import (
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// suspend lets the rig's host suspend a root.
func (r *rig) suspend(a trusttest.Authority, length time.Duration) {
	r.t.Helper()
	s, err := ReadSuspensions(r.state)
	if err != nil {
		r.t.Fatal(err)
	}
	s, _, err = s.Begin(root.Of(a.Cert.Raw), length, "the crane is being moved", r.now)
	if err != nil {
		r.t.Fatal(err)
	}
	if err := s.Keep(r.state); err != nil {
		r.t.Fatal(err)
	}
}

// Every standing but 'distrusted' waits while its root is suspended, also
// where somebody forces a withdraw, and goes on by itself.
func TestSuspendedRootsWait(t *testing.T) {
	r := newRig(t)
	now := func() { r.now = r.now.Add(time.Hour) }
	placed, leaving, blocked := trusttest.NewAuthority(t, "Harbour A"), trusttest.NewAuthority(t, "Harbour B"), trusttest.NewAuthority(t, "Harbour C")
	r.root(placed, only(policy.Trusted))
	r.root(leaving, only(policy.Trusted))
	r.root(blocked, only(policy.Trusted))
	r.enforce(r.signed(), "")
	for _, a := range []trusttest.Authority{placed, leaving, blocked} {
		r.suspend(a, 48*time.Hour)
	}
	delete(r.store.Local, root.Of(placed.Cert.Raw)) // break-glass: by hand
	now()
	r.next()
	r.root(placed, only(policy.Trusted))
	r.root(leaving, only(policy.Retired))
	r.root(blocked, only(policy.Distrusted))
	file := r.signed()
	_, res := r.enforce(file, "a reason")
	if r.holds(placed) || !r.holds(leaving) || r.holds(blocked) {
		t.Errorf("placed %v, leaving %v, blocked %v", r.holds(placed), r.holds(leaving), r.holds(blocked))
	}
	if len(res.Held) != 2 || len(res.Suspended) != 3 || len(res.Changes) != 1 || res.Changes[0].Change.Op != trust.Block {
		t.Fatalf("held %+v, suspended %d, changes %+v", res.Held, len(res.Suspended), res.Changes)
	}
	for _, h := range res.Held {
		if !strings.Contains(h.Reason, "the crane is being moved") || !strings.Contains(h.Next, h.Change.Root.Fingerprint.Short()+" --end") {
			t.Errorf("%+v", h)
		}
	}
	r.now = r.now.Add(48 * time.Hour)
	_, res = r.enforce(file, "a reason")
	if !r.holds(placed) || r.holds(leaving) || len(res.Suspended) != 0 || !res.Right() {
		t.Errorf("after its end: placed %v, leaving %v, suspended %v", r.holds(placed), r.holds(leaving), res.Suspended)
	}
}

// Without a suspension what was taken out by hand is put back, and verify says
// how to keep it out.
func TestTakenOutByHand(t *testing.T) {
	r := newRig(t)
	a := trusttest.NewAuthority(t, "Harbour Root 2026")
	r.root(a, only(policy.Trusted))
	file := r.signed()
	r.enforce(file, "")
	delete(r.store.Local, root.Of(a.Cert.Raw))
	ag := &Agent{Stores: []trust.Store{r.store}, Ledger: r.ledger(), Prover: r.prover}
	row := ag.Look(t.Context(), Order{Policy: r.believe(file).Policy, Host: r.host, Now: r.now}).Rows[0]
	if row.Right || row.State != trust.Absent || !strings.Contains(strings.Join(row.Next, "\n"), "suspend "+root.Of(a.Cert.Raw).Short()+" --for") {
		t.Errorf("%+v", row)
	}
	if _, res := r.enforce(file, ""); !r.holds(a) || !res.Right() {
		t.Error("not put back")
	}
}

func TestSuspensions(t *testing.T) {
	fp, other := root.Of([]byte("a")), root.Of([]byte("b"))
	week := 7 * 24 * time.Hour
	s, one, err := Suspensions(nil).Begin(fp, 48*time.Hour, "why", clock)
	if err != nil || !one.Until.Equal(clock.Add(48*time.Hour)) {
		t.Fatal(one, err)
	}
	for name, c := range map[string]struct {
		at   time.Time
		want bool
	}{
		"at once":                {clock, true},
		"to the last second":     {clock.Add(48*time.Hour - time.Second), true},
		"at its end":             {clock.Add(48 * time.Hour), false},
		"a clock that stepped":   {clock.Add(-clockSlack), true},
		"a clock that was ahead": {clock.Add(-clockSlack - time.Second), false},
	} {
		if _, got := s.Of(fp, c.at); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
	if _, got := s.Of(other, clock); got {
		t.Error("another root is suspended")
	}
	// Longer, but never longer than a week in all.
	later := clock.Add(24 * time.Hour)
	if _, _, err := s.Begin(fp, week, "why", later); err == nil {
		t.Error("a suspension of eight days")
	}
	longer, one, err := s.Begin(fp, week-24*time.Hour, "still", later)
	if err != nil || len(longer) != 1 || !one.Since.Equal(clock) || !one.Until.Equal(clock.Add(week)) {
		t.Errorf("%+v %v", one, err)
	}
	if _, one, err := s.Begin(fp, week, "anew", clock.Add(48*time.Hour)); err != nil || one.Since.Equal(clock) {
		t.Errorf("after its end one begins anew: %+v %v", one, err)
	}
	if left, was := longer.End(fp, later); !was || len(left) != 0 {
		t.Errorf("%v %v", left, was)
	}
	if _, was := s.End(fp, clock.Add(48*time.Hour)); was {
		t.Error("what had ended was ended")
	}
	for name, c := range map[string]struct {
		length time.Duration
		reason string
	}{
		"no length": {0, "why"}, "backwards": {-time.Hour, "why"}, "too long": {week + time.Second, "why"}, "no reason": {time.Hour, ""},
		"a long reason": {time.Hour, strings.Repeat("w", MaxReason+1)}, "a reason with an escape": {time.Hour, "\x1b[2J"}, "two lines": {time.Hour, "a\nb"},
	} {
		if _, _, err := s.Begin(other, c.length, c.reason, clock); err == nil {
			t.Errorf("%s: taken", name)
		}
	}
}

// A file that says anything else than anchorhold writes is an error, never
// "nothing is suspended".
func TestSuspensionsAreReadStrictly(t *testing.T) {
	f := folder{}
	if s, err := ReadSuspensions(f); err != nil || s != nil {
		t.Fatal(s, err)
	}
	s, _, err := Suspensions(nil).Begin(root.Of([]byte("a")), time.Hour, "why", clock)
	if err != nil || s.Keep(f) != nil {
		t.Fatal(err)
	}
	good := string(f[SuspendedFile])
	if got, err := ReadSuspensions(f); err != nil || len(got) != 1 || got[0] != s[0] {
		t.Fatalf("%+v %v", got, err)
	}
	for name, bad := range map[string]string{
		"empty": "", "null": "null", "cut": good[:len(good)-3], "zeros": strings.Repeat("\x00", 64),
		"newer":         strings.Replace(good, `"schema": 1`, `"schema": 2`, 1),
		"unknown":       strings.Replace(good, `"schema": 1`, `"schema": 1, "more": 1`, 1),
		"case":          strings.Replace(good, `"until"`, `"Until"`, 1),
		"without end":   strings.Replace(good, `2026-11-25T11:00:00Z`, `2027-11-25T11:00:00Z`, 1),
		"no root":       strings.Replace(good, s[0].Root.String(), strings.Repeat("0", 64), 1),
		"trailing data": good + "{}",
		"a root twice":  twice(good),
	} {
		if bad == good {
			t.Fatalf("%s changes nothing", name)
		}
		f[SuspendedFile] = []byte(bad)
		if got, err := ReadSuspensions(f); err == nil {
			t.Errorf("%s: read as %+v", name, got)
		}
	}
}

// twice is the file with its one entry a second time.
func twice(file string) string {
	from, to := strings.Index(file, "  {"), strings.LastIndex(file, "\n ]")
	return file[:to] + ",\n" + file[from:]
}
