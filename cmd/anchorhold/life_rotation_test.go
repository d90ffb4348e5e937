package main

import (
	"encoding/json"
	"slices"
	"testing"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/policy"
)

// rotate writes, signs and takes in the next statement.
func (s *station) rotate(next string, signers ...string) {
	s.t.Helper()
	line := next
	for _, k := range signers {
		line += " --key " + k + ".key"
	}
	var told struct {
		Schema, Exit int
		File         string
		Missing      map[string]int
		Complete     bool
	}
	decode(s.t, s.office(0, line+" --json").out, &told)
	if !told.Complete {
		s.t.Fatalf("%s waits for %v", told.File, told.Missing)
	}
	s.office(0, "keyset extend "+told.File)
}

// without returns a policy file without one of its statements.
func (s *station) without(file string, statement int) string {
	s.t.Helper()
	var f struct {
		Keysets []json.RawMessage `json:"keysets"`
		Policy  json.RawMessage   `json:"policy"`
	}
	if err := json.Unmarshal([]byte(read(s.t, file)), &f); err != nil {
		s.t.Fatal(err)
	}
	f.Keysets = slices.Delete(f.Keysets, statement, statement+1)
	data, err := json.Marshal(f)
	if err != nil {
		s.t.Fatal(err)
	}
	name := s.path("without.policy")
	write(s.t, name, string(data), 0o644)
	return name
}

// refused wants an offered policy to be refused for this reason, and the last
// good one to stay.
func (s *station) refused(what, file, code string, version uint64) {
	s.t.Helper()
	s.offer(file)
	r := s.told(1, "enforce")
	if r.Code != code || !has(r, agent.Refused) || r.Policy == nil || r.Policy.Version != version || len(r.Changes) != 0 {
		s.t.Errorf("%s: code %q, conditions %v, policy %+v", what, r.Code, r.Conditions, r.Policy)
	}
}

// TestRotationWhileTheHostSleeps: a host at keyset 0.1, a policy at 0.5, with
// every statement and with one left out; then replays from before.
func TestRotationWhileTheHostSleeps(t *testing.T) {
	if !onMachine(t) {
		return
	}
	s := newStation(t, "quay", "tower", "office", "pilot", "mole")
	s.office(0, "keyset new --policy harbour --threshold 2 quay.pub tower.pub office.pub")
	s.adopt("")
	seven := s.sign(7, "quay tower", "Quay=trusted")
	s.offer(seven)
	s.run(0, "enforce")

	s.rotate("keyset next --drop tower.pub --add pilot.pub", "quay", "office", "pilot")
	s.rotate("keyset next --drop quay.pub --add mole.pub", "office", "pilot", "mole")
	s.rotate("keyset next --add quay.pub --threshold 3", "office", "pilot", "quay")
	s.rotate("keyset next --threshold 2", "office", "pilot", "mole")
	five := s.sign(1, "mole pilot", "Quay=trusted")

	s.refused("one statement left out", s.without(five, 2), policy.CodeKeysetGap, 7)
	s.refused("the first left out", s.without(five, 0), policy.CodeKeysetGap, 7)
	s.refused("the last left out", s.without(five, 3), policy.CodeThreshold, 7)
	s.offer(five)
	if r := s.told(0, "enforce"); r.Policy.Epoch != 5 || r.Policy.Version != 1 {
		t.Errorf("%+v", r.Policy)
	}
	s.refused("the old epoch again", seven, policy.CodeKeysetRollback, 1)
	s.refused("statements stripped", s.without(five, 3), policy.CodeKeysetRollback, 1)

	// Lost state: it walks again from the pin, as far as before.
	remove(t, stateFile(agent.FloorFile))
	remove(t, stateFile(agent.PolicyFile))
	s.offer(five)
	if r := s.told(0, "enforce"); r.Policy.Epoch != 5 || !has(r, agent.MemoryLost) {
		t.Errorf("%+v %v", r.Policy, r.Conditions)
	}
	if r := s.told(0, "verify"); has(r, agent.MemoryLost) {
		t.Errorf("still %v", r.Conditions)
	}
}

// TestStolenKeys: a thief signs the last version, then a keyset of his own; the
// first is undone by rotation, the second by the contingency keyset alone.
func TestStolenKeys(t *testing.T) {
	if !onMachine(t) {
		return
	}
	s := newStation(t, "quay", "tower", "safe", "quay2", "tower2", "thief")
	s.office(0, "keyset new --policy harbour --threshold 1 --out safe.contingency safe.pub")
	s.office(0, "keyset new --policy harbour --threshold 1 --contingency safe.contingency quay.pub")
	s.adopt("")
	good := s.sign(1, "quay", "Quay=trusted")
	s.offer(good)
	s.run(0, "enforce")

	const last = 1<<53 - 1
	evil := s.sign(last, "quay", "Quay=trusted", "Evil=trusted")
	s.offer(evil)
	s.run(0, "enforce")
	s.wantIn(true, "Quay", "Evil")
	remove(t, s.path("harbour.policy"))
	s.refused("the next version", s.sign(2, "quay", "Quay=trusted", "Evil=distrusted"), policy.CodeRollback, last)

	// By rotation the numbers begin anew.
	s.rotate("keyset next --drop quay.pub --add tower.pub", "quay", "tower")
	back := s.sign(1, "tower", "Quay=trusted", "Evil=distrusted")
	s.offer(back)
	if r := s.told(0, "enforce"); r.Policy.Epoch != 2 || r.Policy.Version != 1 {
		t.Errorf("%+v", r.Policy)
	}
	s.wantIn(false, "Evil")
	s.refused("the thief's last version again", evil, policy.CodeKeysetRollback, 1)

	// The thief has the new key too, and leads the host astray.
	right := read(t, s.path("harbour.keyset"))
	s.rotate("keyset next --drop tower.pub --add thief.pub", "tower", "thief")
	astray := s.sign(1, "thief", "Quay=trusted", "Evil=trusted")
	s.offer(astray)
	s.run(0, "enforce")
	s.wantIn(true, "Evil")
	write(t, s.path("harbour.keyset"), right, 0o644)
	remove(t, s.path("harbour.policy"))
	s.refused("ours, from where we were", s.sign(2, "tower", "Quay=trusted"), policy.CodeKeysetRollback, 1)

	// The safe is opened.
	s.rotate("keyset replace --by safe.contingency --threshold 2 quay2.pub tower2.pub", "safe", "quay2", "tower2")
	rescue := s.sign(1, "quay2 tower2", "Quay=trusted", "Evil=distrusted")
	s.offer(rescue)
	if r := s.told(0, "enforce"); r.Policy.Epoch != 1<<32+1 {
		t.Errorf("%+v", r.Policy)
	}
	s.wantIn(true, "Quay")
	s.wantIn(false, "Evil")
	s.refused("the thief again", astray, policy.CodeKeysetRollback, 1)
}
