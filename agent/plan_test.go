package agent

import (
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

var (
	fpA = root.Of([]byte("a"))
	fpB = root.Of([]byte("b"))
)

// ours is a ledger in two sets.
type ours struct{ placed, blocked map[root.Fingerprint]bool }

func (o ours) Placed(_ trust.StoreID, fp root.Fingerprint) bool  { return o.placed[fp] }
func (o ours) Blocked(_ trust.StoreID, fp root.Fingerprint) bool { return o.blocked[fp] }

func snapshot(entries ...trust.Entry) trust.Snapshot {
	s := trust.Snapshot{Store: trust.Machine, Entries: map[root.Fingerprint]trust.Entry{}, Parts: []trust.Part{
		{Name: "source", Kind: trust.Source, Path: "/s", Present: true},
		{Name: "bundle", Kind: trust.Compiled, Path: "/b", Present: true},
		{Name: "java", Kind: trust.Compiled, Path: "/j"}, // not on this host
	}}
	for _, e := range entries {
		s.Entries[e.Fingerprint] = e
	}
	return s
}

func entry(fp root.Fingerprint, locations ...trust.Location) trust.Entry {
	return trust.Entry{Fingerprint: fp, Locations: locations}
}

func at(part string) trust.Location {
	return trust.Location{Part: part, Path: "/" + part, Origin: trust.FromLocal}
}

func want(fp root.Fingerprint, s policy.Standing) Want {
	return Want{Store: trust.Machine, Root: trust.Root{Fingerprint: fp}, Label: "L", Standing: s, Stage: policy.AllHosts}
}

func ops(steps []Step) (o []trust.Op) {
	for _, s := range steps {
		o = append(o, s.Change.Op)
	}
	return o
}

func TestPlan(t *testing.T) {
	whole := entry(fpA, at("source"), at("bundle"))
	packed := entry(fpA, trust.Location{Part: "source", Origin: trust.FromPackage, Package: "ca-certificates"}, at("bundle"))
	closed := at("bundle")
	closed.Blocked = &trust.Blocked{Path: "/b", Mode: 0o600, Want: 0o044}
	left := at("links")
	left.Dangling = true
	refused := want(fpA, policy.Trusted)
	refused.Findings = []root.Finding{{Code: "not-a-ca", Severity: root.Refuse}}
	own := want(fpA, policy.Trusted)
	own.Own = true
	elsewhere := want(fpA, policy.Trusted)
	elsewhere.Store = "java"

	for _, c := range []struct {
		name string
		want Want
		snap trust.Snapshot
		led  ours
		ops  []trust.Op
	}{
		{"absent is placed", want(fpA, policy.Trusted), snapshot(), ours{}, []trust.Op{trust.Place}},
		{"placed stays", want(fpA, policy.Trusted), snapshot(whole), ours{}, nil},
		{"a copy by hand is enough", want(fpA, policy.Trusted), snapshot(whole), ours{}, nil},
		{"own asks for our copy", own, snapshot(whole), ours{}, []trust.Op{trust.Place}},
		{"own is content with our copy", own, snapshot(whole), ours{placed: map[root.Fingerprint]bool{fpA: true}}, nil},
		{"source alone is incomplete", want(fpA, policy.Trusted), snapshot(entry(fpA, at("source"))), ours{}, []trust.Op{trust.Place}},
		{"bundle alone is incomplete", want(fpA, policy.Trusted), snapshot(entry(fpA, at("bundle"))), ours{}, []trust.Op{trust.Place}},
		{"unreadable is mended", want(fpA, policy.Trusted), snapshot(entry(fpA, at("source"), closed)), ours{}, []trust.Op{trust.Place}},
		{"vetting stops a root", refused, snapshot(), ours{}, nil},
		{"what vetting refuses is not mended either", refused, snapshot(entry(fpA, at("source"))), ours{}, nil},
		{"our block is undone before placing", want(fpA, policy.Trusted), snapshot(trust.Entry{Fingerprint: fpA, Blocked: true}), ours{blocked: map[root.Fingerprint]bool{fpA: true}}, []trust.Op{trust.Unblock, trust.Place}},
		{"somebody's block is not ours to undo", want(fpA, policy.Trusted), snapshot(trust.Entry{Fingerprint: fpA, Blocked: true}), ours{}, []trust.Op{trust.Place}},
		{"retired goes", want(fpA, policy.Retired), snapshot(whole), ours{}, []trust.Op{trust.Withdraw}},
		{"retired and gone", want(fpA, policy.Retired), snapshot(), ours{}, nil},
		{"retired lingers in the bundle", want(fpA, policy.Retired), snapshot(entry(fpA, at("bundle"))), ours{}, []trust.Op{trust.Withdraw}},
		{"retired leaves a dangling link", want(fpA, policy.Retired), snapshot(entry(fpA, left)), ours{}, []trust.Op{trust.Withdraw}},
		{"retired does not touch a package's", want(fpA, policy.Retired), snapshot(packed), ours{}, nil},
		{"distrusted blocks a package's", want(fpA, policy.Distrusted), snapshot(packed), ours{}, []trust.Op{trust.Block}},
		{"distrusted and refused", want(fpA, policy.Distrusted), snapshot(trust.Entry{Fingerprint: fpA, Blocked: true}), ours{}, nil},
		{"nobody names it", want(fpB, policy.Trusted), snapshot(whole, entry(fpB, at("source"), at("bundle"))), ours{}, nil},
		{"a store that was not observed", elsewhere, snapshot(), ours{}, nil},
		{"no standing is nothing", want(fpA, ""), snapshot(whole), ours{}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			steps := Plan([]Want{c.want}, map[trust.StoreID]trust.Snapshot{trust.Machine: c.snap}, c.led)
			got := ops(steps)
			if len(got) != len(c.ops) {
				t.Fatalf("got %v, want %v", got, c.ops)
			}
			for i := range got {
				if got[i] != c.ops[i] {
					t.Fatalf("got %v, want %v", got, c.ops)
				}
				if steps[i].Change.Root.Fingerprint != c.want.Root.Fingerprint {
					t.Fatal("a change names another root")
				}
			}
		})
	}
}

func TestPlanUnknownChangesNothing(t *testing.T) {
	s := snapshot()
	s.Parts[1].Unread = "permission denied"
	for _, st := range []policy.Standing{policy.Trusted, policy.Retired, policy.Distrusted} {
		if steps := Plan([]Want{want(fpA, st)}, map[trust.StoreID]trust.Snapshot{trust.Machine: s}, ours{}); len(steps) > 0 {
			t.Errorf("%s: planned %v for a store that could not be read", st, ops(steps))
		}
	}
}

// TestPlanBesideAnOpaquePart: a part that nobody can read keeps nothing out of
// the others, and takes nothing out.
func TestPlanBesideAnOpaquePart(t *testing.T) {
	for _, c := range []struct {
		name     string
		entries  []trust.Entry
		standing policy.Standing
		op       trust.Op
		right    bool
	}{
		{"absent", nil, policy.Trusted, trust.Place, false},
		{"in all others", []trust.Entry{entry(fpA, at("source"), at("bundle"))}, policy.Trusted, "", false},
		{"in one", []trust.Entry{entry(fpA, at("source"))}, policy.Trusted, trust.Place, false},
		{"nobody knows whether it is gone", nil, policy.Retired, "", false},
		{"not gone", []trust.Entry{entry(fpA, at("source"), at("bundle"))}, policy.Retired, trust.Withdraw, false},
	} {
		s := snapshot(c.entries...)
		s.Parts = append(s.Parts, trust.Part{Name: "java", Kind: trust.Compiled, Present: true, Opaque: "this is a PKCS#12 store",
			Faults: []trust.Fault{{Code: "pkcs12-store", Next: "make it a JKS"}}})
		w := want(fpA, c.standing)
		steps := Plan([]Want{w}, map[trust.StoreID]trust.Snapshot{trust.Machine: s}, ours{})
		if got := ops(steps); len(got) > 1 || (len(got) == 1) != (c.op != "") || len(got) == 1 && got[0] != c.op {
			t.Errorf("%s: planned %v", c.name, got)
		}
		row := judge(w, s.Placement(fpA), nil, ours{})
		if row.Right != c.right || row.Known == (c.standing == policy.Retired && len(c.entries) == 0) {
			t.Errorf("%s: %+v", c.name, row)
		}
		if c.standing == policy.Trusted && row.Next[0] != "make it a JKS" {
			t.Errorf("%s: next %q", c.name, row.Next)
		}
	}
}

func TestPlanPlacesBeforeItTakesOut(t *testing.T) {
	steps := Plan([]Want{want(fpA, policy.Retired), want(fpB, policy.Trusted)},
		map[trust.StoreID]trust.Snapshot{trust.Machine: snapshot(entry(fpA, at("source"), at("bundle")))}, ours{})
	if got := ops(steps); len(got) != 2 || got[0] != trust.Place || got[1] != trust.Withdraw {
		t.Fatalf("got %v", got)
	}
}

func TestZeroPolicyWantsNothing(t *testing.T) {
	wants, waiting := Wants(policy.Verified{}, policy.HostFacts{ID: "x"})
	if len(wants)+len(waiting) > 0 {
		t.Fatalf("the zero policy wants %v %v", wants, waiting)
	}
}

func TestGuard(t *testing.T) {
	whole := snapshot(entry(fpA, at("source"), at("bundle"))).Placement(fpA)
	sourceOnly := snapshot(entry(fpA, at("source"))).Placement(fpA)
	day := time.Date(2027, 5, 3, 0, 0, 0, 0, time.UTC)
	step := func(op trust.Op, p trust.Placement, edit func(*Want)) Step {
		w := want(fpA, policy.Retired)
		if edit != nil {
			edit(&w)
		}
		return Step{Change: trust.Change{Store: trust.Machine, Op: op, Root: w.Root}, Want: w, Placement: p}
	}
	heir := want(fpB, policy.Trusted)
	heir.Succeeds = &fpA
	never := func(trust.StoreID, root.Fingerprint) bool { return false }
	always := func(trust.StoreID, root.Fingerprint) bool { return true }

	for _, c := range []struct {
		name  string
		step  Step
		wants []Want
		ready func(trust.StoreID, root.Fingerprint) bool
		force string
		pass  bool
	}{
		{"place passes", step(trust.Place, whole, nil), nil, never, "", true},
		{"unblock passes", step(trust.Unblock, whole, nil), nil, never, "", true},
		{"block is never held", step(trust.Block, whole, nil), []Want{heir}, never, "", true},
		{"withdraw is held", step(trust.Withdraw, whole, nil), nil, never, "", false},
		{"force lets it go", step(trust.Withdraw, whole, nil), nil, never, "moved", true},
		{"so does the deadline", step(trust.Withdraw, whole, func(w *Want) { w.Deadline, w.DeadlinePassed = &day, true }), nil, never, "", true},
		{"a deadline to come does not", step(trust.Withdraw, whole, func(w *Want) { w.Deadline = &day }), nil, never, "", false},
		{"an expired root verifies nothing", step(trust.Withdraw, whole, func(w *Want) { w.Expired = true }), nil, never, "", true},
		{"nobody reads it", step(trust.Withdraw, sourceOnly, nil), nil, never, "", true},
		{"the successor is missing, forced or not", step(trust.Withdraw, whole, nil), []Want{heir}, never, "moved", false},
		{"the successor is missing, deadline or not", step(trust.Withdraw, whole, func(w *Want) { w.DeadlinePassed = true }), []Want{heir}, never, "", false},
		{"the successor is there, deadline passed", step(trust.Withdraw, whole, func(w *Want) { w.DeadlinePassed = true }), []Want{heir}, always, "", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			allowed, held := Guard([]Step{c.step}, c.wants, Facts{Ready: c.ready}, Force{Reason: c.force})
			if got := len(allowed) == 1; got != c.pass || len(allowed)+len(held) != 1 {
				t.Fatalf("allowed %d, held %v", len(allowed), held)
			}
			if !c.pass && (held[0].Reason == "" || held[0].Next == "") {
				t.Error("a hold tells its reason and what to do")
			}
			if c.pass && c.force != "" && c.step.Change.Op == trust.Withdraw && !strings.Contains(allowed[0].Change.Why, c.force) {
				t.Errorf("the forced reason is lost: %q", allowed[0].Change.Why)
			}
		})
	}
}
