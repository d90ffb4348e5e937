package agent

import (
	"bytes"
	"io/fs"
	"testing"

	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

func (f folder) Remove(name string) error {
	if _, ok := f[name]; !ok {
		return &fs.PathError{Op: "remove", Path: name, Err: fs.ErrNotExist}
	}
	delete(f, name)
	return nil
}

// versions signs n versions of a policy that trusts one root.
func (r *rig) versions(n int) ([][]byte, trusttest.Authority) {
	r.t.Helper()
	a := trusttest.NewAuthority(r.t, "Harbour Root 2026")
	var all [][]byte
	for i := range n {
		if i > 0 {
			r.next()
		}
		r.root(a, only(policy.Trusted))
		all = append(all, r.signed())
	}
	return all, a
}

func (r *rig) events() []ledger.Event {
	r.t.Helper()
	events, damaged, err := ledger.History(r.state)
	if err != nil || damaged > 0 {
		r.t.Fatalf("%d damaged, %v", damaged, err)
	}
	return events
}

// A run stored version 2 and died before it stored the floor. The next one
// finds the source away, and version 2 is in force: nothing goes back from it.
func TestDeathBetweenPolicyAndFloor(t *testing.T) {
	r := newRig(t)
	v, _ := r.versions(2)
	r.enforce(v[0], "")
	r.state[PolicyFile] = v[1]
	b, _ := r.enforce(nil, "")
	if b.Policy.Mark().Version != 2 || !b.New || !b.Has(Unreachable) {
		t.Fatalf("version %d in force, to be stored: %v", b.Policy.Mark().Version, b.New)
	}
	if b, _ := r.enforce(v[0], ""); policy.CodeOf(b.Err) != policy.CodeRollback || b.Policy.Mark().Version != 2 {
		t.Errorf("went back to version %d: %v", b.Policy.Mark().Version, b.Err)
	}
	if b, _ := r.enforce(nil, ""); b.New {
		t.Error("stored again what is stored")
	}
}

// A policy that replaces another is stored, and so outlives its source.
func TestTheNextPolicyIsStored(t *testing.T) {
	r := newRig(t)
	v, _ := r.versions(2)
	r.enforce(v[0], "")
	r.enforce(v[1], "")
	if !bytes.Equal(r.state[PolicyFile], v[1]) {
		t.Error("the policy in force is not the one that is stored")
	}
}

// The floor alone is gone: what was in force is the floor.
func TestFloorLost(t *testing.T) {
	r := newRig(t)
	v, _ := r.versions(2)
	r.enforce(v[1], "")
	delete(r.state, FloorFile)
	b, _ := r.enforce(v[0], "")
	if policy.CodeOf(b.Err) != policy.CodeRollback || !b.Has(MemoryLost) || b.Policy.Mark().Version != 2 {
		t.Errorf("version %d, conditions %v, %v", b.Policy.Mark().Version, b.Conditions, b.Err)
	}
	if last := r.events(); last[len(last)-1].Op != ledger.Relearn {
		t.Errorf("the history does not tell: %+v", last)
	}
	if b, _ := r.enforce(v[1], ""); b.Has(MemoryLost) || b.New {
		t.Errorf("still %v", b.Conditions)
	}
	// Also past its end: then it is stale, as it would have been.
	delete(r.state, FloorFile)
	r.now = clock.AddDate(1, 0, 0)
	if b, _ := r.enforce(v[1], ""); !b.Has(Stale) || b.Policy.Mark().Version != 2 {
		t.Errorf("conditions %v, %v", b.Conditions, b.Err)
	}
}

// Floor and policy are gone: the walk starts at the pin, above min_version.
// The ledger was kept, so that what is ours stays ours.
func TestMemoryLost(t *testing.T) {
	r := newRig(t)
	r.min = 2
	v, a := r.versions(4)
	r.enforce(v[3], "")
	delete(r.state, FloorFile)
	delete(r.state, PolicyFile)
	if b := r.believe(nil); !b.Has(MemoryLost) || !b.Has(NoPolicy) {
		t.Errorf("conditions %v", b.Conditions)
	}
	if b := r.believe(v[0]); policy.CodeOf(b.Err) != policy.CodeBelowMinimum {
		t.Errorf("below the pin's minimum: %v", b.Err)
	}
	b, res := r.enforce(v[1], "")
	if b.Err != nil || b.Policy.Mark().Version != 2 || !res.Right() || res.Rows[0].Owner != Us {
		t.Errorf("%v, %+v", b.Err, res.Rows)
	}
	// The ledger too: the root counts as placed by hand and stays.
	for name := range r.state {
		delete(r.state, name)
	}
	b, res = r.enforce(v[3], "")
	if b.Has(MemoryLost) || !res.Right() || res.Rows[0].Owner != ByHand || !r.holds(a) || len(res.Changes) != 0 {
		t.Errorf("conditions %v, %+v", b.Conditions, res.Rows)
	}
}

// The state folder comes back from an old backup: the floor is as old as the
// backup and no older, what the ledger does not know counts as by hand, and
// one run reaches the goal.
func TestOldBackup(t *testing.T) {
	r := newRig(t)
	v, a := r.versions(2)
	r.enforce(v[1], "")
	backup := folder{}
	for k, d := range r.state {
		backup[k] = d
	}
	r.next()
	second := trusttest.NewAuthority(t, "Harbour Root 2027")
	r.root(a, only(policy.Trusted))
	r.root(second, only(policy.Trusted))
	v3 := r.signed()
	r.enforce(v3, "")
	r.state = backup
	if b := r.believe(v[0]); policy.CodeOf(b.Err) != policy.CodeRollback {
		t.Errorf("below the backup: %v", b.Err)
	}
	_, res := r.enforce(v3, "")
	if !res.Right() || len(res.Changes) != 0 || res.Rows[0].Owner != Us || res.Rows[1].Owner != ByHand {
		t.Errorf("%+v", res.Rows)
	}
	if !r.ledger().Placed(trust.Machine, root.Of(a.Cert.Raw)) || !r.holds(second) {
		t.Error("lost what was placed")
	}
}

// A run died between the two files of the very first policy. The next one
// believes what it is offered, and tells of no memory that was lost.
func TestFirstDeathIsNoLoss(t *testing.T) {
	r := newRig(t)
	v, _ := r.versions(1)
	if err := Believe(Memory{}, v[0], nil, r.pin(), clock).Keep(&dying{folder: r.state, left: 1}); err == nil || len(r.state) != 1 {
		t.Fatalf("it did not die in between: %v, %d files", err, len(r.state))
	}
	m, err := Recall(r.state, "harbour")
	if err != nil || m.Lost {
		t.Fatalf("lost: %v, %v", m.Lost, err)
	}
	if b := Believe(m, v[0], nil, r.pin(), clock); b.Err != nil || b.Has(MemoryLost) || !b.New {
		t.Errorf("%v, %v, to be stored: %v", b.Err, b.Conditions, b.New)
	}
}

// dying is a folder in which only so many writes arrive.
type dying struct {
	folder
	left int
}

func (d *dying) Write(name string, data []byte, perm fs.FileMode) error {
	if d.left--; d.left < 0 {
		return fs.ErrClosed
	}
	return d.folder.Write(name, data, perm)
}
