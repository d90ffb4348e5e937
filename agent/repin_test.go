package agent

import (
	"bytes"
	"testing"

	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/policy"
)

// other is a keyset of one new signer.
func (r *rig) other(name string, generation uint32, seed byte) (policy.Chain, policy.Signer) {
	r.t.Helper()
	s, err := policy.NewSigner(policy.Ed25519, bytes.NewReader(bytes.Repeat([]byte{seed}, 64)))
	if err != nil {
		r.t.Fatal(err)
	}
	c, err := policy.NewChain(policy.Keyset{Schema: policy.KeysetSchema, Policy: name, Generation: generation, Serial: 1, Threshold: 1,
		Issued: clock, Keys: []policy.Key{s.Public()}})
	if err != nil {
		r.t.Fatal(err)
	}
	return c, s
}

func (r *rig) pin() policy.Pin { return policy.Pin{Keyset: r.chain.First(), MinVersion: r.min} }

// follow lets the rig sign and believe by another keyset from now on.
func (r *rig) follow(c policy.Chain, s policy.Signer) {
	r.chain, r.signer = c, s
	r.doc.Name, r.doc.Epoch, r.doc.Version, r.doc.Roots = c.First().Policy, c.First().Epoch(), 1, nil
}

func TestRepinWithinAPolicy(t *testing.T) {
	r := newRig(t)
	v, a := r.versions(2)
	r.enforce(v[1], "")
	was := r.pin()
	lower, _ := r.other("harbour", 0, 9)
	before := string(r.state[FloorFile])
	if err := Repin(r.state, was, policy.Pin{Keyset: lower.First(), MinVersion: 1}, "why", r.now); policy.CodeOf(err) != policy.CodeKeysetRollback {
		t.Errorf("a keyset of the same number: %v", err)
	}
	if string(r.state[FloorFile]) != before || len(r.events()) != 1 {
		t.Error("a refused re-pin left a trace")
	}

	anew, s := r.other("harbour", 1, 8)
	if b := Believe(Memory{Floor: r.floor(), Held: v[1]}, v[1], nil, policy.Pin{Keyset: anew.First(), MinVersion: 1}, r.now); policy.CodeOf(b.Err) == "" || !b.Policy.IsZero() {
		t.Errorf("a pin that was changed in the settings alone lets a policy in: %v", b.Conditions)
	}
	if err := Repin(r.state, was, policy.Pin{Keyset: anew.First(), MinVersion: 1}, "all keys burned with the quay office", r.now); err != nil {
		t.Fatal(err)
	}
	last := r.events()
	e := last[len(last)-1]
	if e.Op != ledger.Repin || e.Why != "all keys burned with the quay office" || e.Was.Keyset != "0.1" || e.Is.Keyset != "1.1" || e.Was.Keys[0] == e.Is.Keys[0] {
		t.Errorf("history: %+v", e)
	}
	// It died before it wrote the settings: by the old pin nothing is believed.
	if b := r.believe(v[1]); !b.Policy.IsZero() || !b.Has(NoPolicy) {
		t.Errorf("by the old pin: %v", b.Conditions)
	}
	r.follow(anew, s)
	r.root(a, only(policy.Trusted))
	file := r.signed()
	b, res := r.enforce(file, "")
	if b.Err != nil || !res.Right() || res.Rows[0].Owner != Us || len(res.Changes) != 0 {
		t.Errorf("after it: %v, %+v", b.Err, res.Rows)
	}
	if b := r.believe(v[1]); b.Policy.Mark().Epoch != 1<<32+1 || !b.Has(Refused) {
		t.Errorf("the old keyset's policy again: %v", b.Err)
	}
	if err := Repin(r.state, r.pin(), was, "back", r.now); policy.CodeOf(err) != policy.CodeKeysetRollback {
		t.Errorf("back to the old keyset: %v", err)
	}
}

func (r *rig) floor() policy.Floor {
	r.t.Helper()
	m, err := Recall(r.state, "harbour")
	if err != nil {
		r.t.Fatal(err)
	}
	return m.Floor
}

// To another policy and back: each has a floor of its own, and neither goes
// back, whenever the host dies on the way.
func TestRepinToAnotherPolicy(t *testing.T) {
	r := newRig(t)
	v, a := r.versions(2)
	r.enforce(v[1], "")
	harbour, hs := r.chain, r.signer
	staging, ss := r.other("staging", 0, 8)
	if err := Repin(r.state, r.pin(), policy.Pin{Keyset: staging.First(), MinVersion: 1}, "moves to staging", r.now); err != nil {
		t.Fatal(err)
	}
	// It died before it wrote the settings: the old policy does not go back.
	if b := r.believe(v[0]); policy.CodeOf(b.Err) != policy.CodeRollback || b.Has(MemoryLost) {
		t.Errorf("%v %v", b.Conditions, b.Err)
	}
	r.follow(staging, ss)
	r.root(a, only(policy.Trusted))
	one := r.signed()
	r.doc.Version = 2
	two := r.signed()
	m, err := Recall(r.state, "staging")
	if err != nil || !m.Floor.IsZero() || m.Held != nil {
		t.Fatalf("%+v %v", m, err)
	}
	b := Believe(m, two, nil, r.pin(), r.now)
	if b.Err != nil || b.Keep(r.state) != nil {
		t.Fatal(b.Err)
	}
	if err := Repin(r.state, r.pin(), policy.Pin{Keyset: harbour.First(), MinVersion: 1}, "and back", r.now); err != nil {
		t.Fatal(err)
	}
	r.follow(harbour, hs)
	if b := r.believe(v[0]); policy.CodeOf(b.Err) != policy.CodeRollback {
		t.Errorf("the first policy went back: %v", b.Err)
	}
	if b := r.believe(v[1]); b.Err != nil || b.Policy.Mark().Version != 2 {
		t.Errorf("the first policy as it was: %v", b.Err)
	}
	if err := Repin(r.state, r.pin(), policy.Pin{Keyset: staging.First(), MinVersion: 1}, "once more", r.now); err != nil {
		t.Fatal(err)
	}
	m, err = Recall(r.state, "staging")
	if err != nil {
		t.Fatal(err)
	}
	if b := Believe(m, one, nil, policy.Pin{Keyset: staging.First(), MinVersion: 1}, r.now); policy.CodeOf(b.Err) != policy.CodeRollback {
		t.Errorf("the second policy went back: %v", b.Err)
	}
}

// What cannot be read is no reason to forget it.
func TestRepinOfABrokenMemory(t *testing.T) {
	r := newRig(t)
	v, _ := r.versions(1)
	r.enforce(v[0], "")
	r.state[FloorFile] = []byte("{}")
	anew, _ := r.other("harbour", 1, 8)
	if err := Repin(r.state, r.pin(), policy.Pin{Keyset: anew.First()}, "why", r.now); err == nil {
		t.Error("pinned over a floor that cannot be read")
	}
	delete(r.state, FloorFile)
	if err := Repin(r.state, r.pin(), policy.Pin{Keyset: anew.First()}, "why", r.now); err != nil {
		t.Fatal(err)
	}
	if f := r.floor(); f.Mark.Version != 1 || f.Keyset.Generation != 1 {
		t.Errorf("the lost floor was not taken from the policy in force: %v", f.Mark)
	}
}

// Settings that are gone come back without a word only where they lead to what
// the host remembers.
func TestAdoptable(t *testing.T) {
	r := newRig(t)
	v, _ := r.versions(1)
	r.enforce(v[0], "")
	m, err := Recall(r.state, "harbour")
	if err != nil {
		t.Fatal(err)
	}
	anew, _ := r.other("harbour", 1, 8)
	foreign, _ := r.other("staging", 0, 8)
	for name, c := range map[string]struct {
		m    Memory
		pin  policy.Keyset
		want bool
	}{
		"a new host":            {Memory{}, anew.First(), true},
		"the same keyset":       {m, r.chain.First(), true},
		"another keyset":        {m, anew.First(), false},
		"another policy":        {m, foreign.First(), false},
		"another, policy lost":  {Memory{Floor: m.Floor}, anew.First(), false},
		"another, floor lost":   {Memory{Held: m.Held}, anew.First(), false},
		"the same, floor lost":  {Memory{Held: m.Held}, r.chain.First(), true},
		"the same, policy lost": {Memory{Floor: m.Floor}, r.chain.First(), true},
	} {
		if got := Adoptable(c.m, policy.Pin{Keyset: c.pin}, r.now); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}
