package main

import (
	"strings"
	"testing"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/policy"
)

// history reads the host's history by the command.
func (s *station) history() []ledger.Event {
	s.t.Helper()
	var h struct {
		Schema, Exit, Damaged int
		Events                []ledger.Event
	}
	decode(s.t, s.run(0, "history --json").out, &h)
	if h.Damaged != 0 {
		s.t.Errorf("%d lines damaged", h.Damaged)
	}
	return h.Events
}

// TestRepin: all keys are lost and nothing is in a safe.
func TestRepin(t *testing.T) {
	if !onMachine(t) {
		return
	}
	s := newStation(t, "quay", "tower", "thief")
	s.office(0, "keyset new --policy harbour --threshold 1 quay.pub")
	s.adopt("--min-version 3")
	s.refusedOrNone("below the minimum", s.sign(2, "quay", "Quay=trusted"), policy.CodeBelowMinimum)
	old := s.sign(5, "quay", "Quay=trusted")
	s.offer(old)
	s.run(0, "enforce")
	settings := read(t, settingsPath)

	// The same keyset: settings may change, but the minimum only upwards.
	s.run(1, "adopt "+s.starter("--min-version 2"))
	if read(t, settingsPath) != settings {
		t.Error("refused settings were taken")
	}
	s.run(0, "adopt "+s.starter("--min-version 4 --label ring=pilot"))
	s.run(0, "adopt "+s.starter("--min-version 4"))
	settings = read(t, settingsPath)

	// Another keyset of the same number, by whatever way.
	s.office(0, "keyset new --policy harbour --threshold 1 --out thief.keyset thief.pub")
	thief := s.starter("--keyset thief.keyset")
	s.run(1, "adopt "+thief)
	s.run(1, "adopt "+thief, "--repin", "why not")
	if read(t, settingsPath) != settings {
		t.Fatal("the settings changed")
	}
	write(t, settingsPath, read(t, thief), 0o644)
	if r := s.told(1, "enforce"); r.Code != policy.CodePinChanged && r.Code != policy.CodeThreshold {
		t.Errorf("settings changed by hand: %q %v", r.Code, r.Conditions)
	}
	remove(t, settingsPath)
	s.run(1, "adopt "+thief) // settings moved away: the memory still knows better
	write(t, settingsPath, settings, 0o644)
	s.run(0, "enforce")

	// Begun anew above what is lost.
	s.office(0, "keyset new --policy harbour --threshold 1 --after harbour.keyset --out anew.keyset tower.pub")
	starter := s.starter("--keyset anew.keyset")
	s.run(1, "adopt "+starter)
	s.run(2, "adopt "+starter, "--repin", " ")
	if e := asNobody(t, installed, "adopt", "--repin", "why", starter); e.code != 2 {
		t.Errorf("an account without rights: %s", e.all())
	}
	write(t, settingsPath, read(t, starter), 0o644)
	if r := s.told(1, "enforce"); r.Code != policy.CodePinChanged {
		t.Errorf("without the command: %q", r.Code)
	}
	write(t, settingsPath, settings, 0o644)
	e := s.run(0, "adopt "+starter, "--repin", "all keys burned with the quay office")
	says(t, e.out, "No longer believed: keyset 0.1", "This host believes policy harbour")
	events := s.history()
	if last := events[len(events)-1]; last.Op != ledger.Repin || last.Why != "all keys burned with the quay office" || last.Was.Keyset != "0.1" || last.Is.Keyset != "1.1" {
		t.Errorf("%+v", last)
	}
	says(t, s.run(0, "history").out, "repin", "all keys burned", "believed before", "believed since")

	// Until the new keyset's policy comes nothing is enforced and nothing goes.
	if r := s.told(1, "enforce"); !has(r, agent.NoPolicy) || r.Policy != nil {
		t.Errorf("%v", r.Conditions)
	}
	s.wantIn(true, "Quay")
	remove(t, s.path("harbour.policy"))
	remove(t, s.path("harbour.keyset"))
	remove(t, s.path("thief.keyset"))
	anew := s.sign(1, "tower", "Quay=trusted")
	s.offer(anew)
	if r := s.told(0, "enforce"); r.Policy.Epoch != 1<<32+1 || r.placement(t, s.print("Quay")).Owner != agent.Us {
		t.Errorf("%+v", r.Policy)
	}
	s.offer(old)
	if r := s.told(1, "enforce"); !has(r, agent.Refused) || r.Policy.Version != 1 {
		t.Errorf("the old keyset's policy: %q", r.Code)
	}
	write(t, s.path("old.toml"), settings, 0o644)
	s.run(1, "adopt "+s.path("old.toml"), "--repin", "back to what it was")
	if strings.Contains(read(t, settingsPath), "generation = 0") {
		t.Error("went back")
	}
}

// refusedOrNone wants an offered policy to be refused on a host that may have
// none yet.
func (s *station) refusedOrNone(what, file, code string) {
	s.t.Helper()
	s.offer(file)
	if r := s.told(1, "enforce"); r.Code != code || !has(r, agent.Refused) {
		s.t.Errorf("%s: %q %v", what, r.Code, r.Conditions)
	}
}

// TestLostState: floor, policy, ledger, all of it, an old backup, a clone.
func TestLostState(t *testing.T) {
	if !onMachine(t) {
		return
	}
	s := newStation(t, "quay")
	s.office(0, "keyset new --policy harbour --threshold 1 quay.pub")
	s.adopt("--min-version 2")
	v := map[uint64]string{}
	for n := uint64(1); n <= 4; n++ {
		standings := []string{"Quay=trusted"}
		if n == 4 {
			standings = append(standings, "Tower=trusted")
		}
		v[n] = s.sign(n, "quay", standings...)
	}
	s.offer(v[3])
	s.run(0, "enforce")
	backup := copyState(t)
	s.offer(v[4])
	host := s.told(0, "enforce").Host
	here := copyState(t)

	t.Run("the floor", func(t *testing.T) {
		s.t = t
		here()
		remove(t, stateFile(agent.FloorFile))
		s.offer(v[3])
		if r := s.told(1, "verify"); r.Code != policy.CodeRollback || !has(r, agent.MemoryLost) || r.Policy.Version != 4 {
			t.Errorf("%q %v %+v", r.Code, r.Conditions, r.Policy)
		}
		s.offer(v[4])
		s.run(0, "enforce")
	})
	t.Run("floor and policy", func(t *testing.T) {
		s.t = t
		here()
		remove(t, stateFile(agent.FloorFile))
		remove(t, stateFile(agent.PolicyFile))
		s.offer(v[1])
		if r := s.told(1, "verify"); r.Code != policy.CodeBelowMinimum || !has(r, agent.MemoryLost) {
			t.Errorf("%q %v", r.Code, r.Conditions)
		}
		says(t, s.run(1, "verify").out, "memory-lost", "min_version")
		s.offer(v[4])
		if r := s.told(0, "enforce"); r.placement(t, s.print("Tower")).Owner != agent.Us {
			t.Errorf("%+v", r.Placements)
		}
		events := s.history()
		if last := events[len(events)-1]; last.Op != ledger.Relearn {
			t.Errorf("%+v", last)
		}
	})
	t.Run("all of it", func(t *testing.T) {
		s.t = t
		for _, name := range entriesOf(t) {
			remove(t, stateFile(name))
		}
		s.offer(v[4])
		for _, line := range []string{"enforce", "verify"} {
			p := s.told(0, line).placement(t, s.print("Quay"))
			if p.Owner != agent.ByHand || !p.Right || !strings.Contains(strings.Join(p.Notes, " "), "ledger does not know it") {
				t.Errorf("%s: %+v", line, p)
			}
		}
		s.wantIn(true, "Quay", "Tower")
	})
	t.Run("an old backup", func(t *testing.T) {
		s.t = t
		here()
		backup()
		s.offer(v[2])
		if r := s.told(1, "enforce"); r.Code != policy.CodeRollback {
			t.Errorf("below the backup: %q", r.Code)
		}
		s.offer(v[4])
		r := s.told(0, "enforce")
		if r.placement(t, s.print("Quay")).Owner != agent.Us || r.placement(t, s.print("Tower")).Owner != agent.ByHand || len(r.Changes) != 0 || r.Host != host {
			t.Errorf("%+v", r.Placements)
		}
	})
	t.Run("a clone", func(t *testing.T) {
		s.t = t
		here()
		write(t, "/etc/machine-id", "0123456789abcdef0123456789abcdef\n", 0o444)
		r := s.told(0, "enforce")
		if r.Host == host || len(r.Host) != 32 || r.placement(t, s.print("Quay")).Owner != agent.Us {
			t.Errorf("host %s, was %s", r.Host, host)
		}
		if again := s.told(0, "enforce"); again.Host != r.Host {
			t.Errorf("another identity again: %s", again.Host)
		}
	})
	t.Run("unreadable", func(t *testing.T) {
		s.t = t
		for _, name := range []string{agent.FloorFile, agent.IdentityFile, ledger.File} {
			here()
			write(t, stateFile(name), "\x00\x00\x00\x00", 0o600)
			before := tree(t)
			for _, line := range []string{"enforce", "verify", "preview"} {
				s.run(2, line)
			}
			before.same(t, tree(t))
		}
		here()
		// A policy that cannot be read any more is fetched again.
		write(t, stateFile(agent.PolicyFile), "\x00", 0o600)
		s.run(0, "enforce")
		write(t, stateFile(agent.PolicyFile), "\x00", 0o600)
		remove(t, inForce)
		if r := s.told(2, "enforce"); !has(r, agent.NoPolicy) || !has(r, agent.Unreachable) {
			t.Errorf("%v", r.Conditions)
		}
	})
}
