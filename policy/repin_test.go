package policy

import "testing"

// A re-pin only goes up, and what is not proven by statements takes one.
func TestRepin(t *testing.T) {
	f := newFleet(t)
	sets, _ := f.long(4)
	first := mustChain(t, sets[0])
	held := mustSign(t, document(sets[0], 7, at("2026-02-02"), at("2026-04-01")), first, f.old[0], f.old[1])
	_, floor, err := Open(held, Pin{Keyset: sets[0]}, Floor{}, at("2026-02-03"))
	if err != nil {
		t.Fatal(err)
	}
	other := f.keyset(0, 1, 1, f.thief)
	anew := f.keyset(1, 1, 1, f.thief)
	foreign := f.keyset(3, 1, 1, f.thief)
	foreign.Policy = "staging"
	for name, c := range map[string]struct {
		to   Keyset
		code string
	}{
		"the same":            {sets[0], ""},
		"the next":            {sets[1], ""},
		"far ahead":           {sets[3], ""},
		"begun anew, higher":  {anew, ""},
		"begun anew, as high": {other, CodeKeysetRollback},
		"of another policy":   {foreign, CodeKeysetOtherPolicy},
		"none":                {Keyset{}, CodeNoPin},
	} {
		got, err := floor.Repin(Pin{Keyset: c.to})
		if CodeOf(err) != c.code {
			t.Errorf("%s: %v, want %q", name, err, c.code)
		}
		if err == nil && !got.Keyset.Same(c.to) || err != nil && !got.Keyset.Same(floor.Keyset) || got.Mark != floor.Mark {
			t.Errorf("%s: keyset %s, mark %v", name, got.Keyset.Number(), got.Mark)
		}
	}
	if got, err := (Floor{}).Repin(Pin{Keyset: anew}); err != nil || !got.IsZero() {
		t.Errorf("a host without memory: %v", err)
	}

	// The host pinned anew believes only what its new keyset signs, no lower
	// version than the pin says, and nothing of before.
	pin := Pin{Keyset: anew, MinVersion: 3}
	up, err := floor.Repin(pin)
	if err != nil {
		t.Fatal(err)
	}
	up = restart(t, up)
	chain := mustChain(t, anew)
	version := func(n uint64) []byte {
		return mustSign(t, document(anew, n, at("2026-02-04"), at("2026-04-01")), chain, f.thief)
	}
	for name, c := range map[string]struct {
		file []byte
		code string
	}{
		"below the minimum": {version(2), CodeBelowMinimum},
		"the minimum":       {version(3), ""},
		"what was held":     {held, CodeThreshold},
	} {
		if _, _, err := Open(c.file, pin, up, at("2026-02-05")); CodeOf(err) != c.code {
			t.Errorf("%s: %v, want %q", name, err, c.code)
		}
	}
	if _, _, err := Open(version(3), pin, floor, at("2026-02-05")); CodeOf(err) != CodePinChanged {
		t.Errorf("a pin that was changed by hand: %v", err)
	}
	if _, err := up.Repin(Pin{Keyset: sets[0]}); CodeOf(err) != CodeKeysetRollback {
		t.Errorf("back again: %v", err)
	}
}

// What is still missing is told side by side.
func TestSides(t *testing.T) {
	f := newFleet(t)
	con := f.contingency()
	ask := func(current Keyset, data []byte) map[string]int {
		t.Helper()
		sides, err := Sides(data, current)
		if err != nil {
			t.Fatal(err)
		}
		m := map[string]int{}
		for _, s := range sides {
			m[s.Name] = s.Missing
		}
		return m
	}
	data, err := SignStatement(f.first(), f.second(), nil, f.day, f.old[0])
	if err != nil {
		t.Fatal(err)
	}
	if got := ask(f.first(), data); len(got) != 2 || got["current"] != 1 || got["new"] != 2 {
		t.Errorf("%v", got)
	}
	if !IsStatement(data) || IsStatement([]byte("{}")) {
		t.Error("a statement is not told from other files")
	}
	data, err = SignStatement(f.first(), f.keyset(1, 1, 2, f.next...), &con, f.day, f.safe[0], f.next[0])
	if err != nil {
		t.Fatal(err)
	}
	if got := ask(f.first(), data); len(got) != 2 || got["contingency"] != 0 || got["new"] != 1 {
		t.Errorf("%v", got)
	}
	if _, err := Sides(data, f.second()); err != nil {
		t.Errorf("a rescue follows any serial: %v", err)
	}
	if _, err := Sides(data, f.keyset(0, 1, 2, f.old...)); CodeOf(err) != CodeContingencyUnknown {
		t.Errorf("where none is pinned: %v", err)
	}
	if err := Signable(data, f.day.AddDate(0, 0, -1)); CodeOf(err) != CodeIssueTime {
		t.Errorf("a statement of tomorrow: %v", err)
	}
}

func TestKeysetDiff(t *testing.T) {
	f := newFleet(t)
	kinds := func(current, next Keyset) map[string]int {
		m := map[string]int{}
		for _, l := range KeysetDiff(current, next) {
			m[l.Kind]++
		}
		return m
	}
	for name, c := range map[string]struct {
		next             Keyset
		changes, caution int
	}{
		"all keys change":      {f.second(), 1 + 3 + 3, 1},
		"one key, as many":     {f.keyset(0, 2, 2, f.old[0], f.old[1], f.next[0]), 1 + 2 + 1, 1 + 1},
		"fewer, no safe":       {f.keyset(0, 2, 1, f.old[0]), 1 + 2 + 1 + 1, 1 + 1 + 2},
		"replaced by the safe": {f.keyset(1, 1, 2, f.next...), 1 + 3 + 3 + 1, 1 + 1},
	} {
		if got := kinds(f.first(), c.next); got[ChangeKeyset] != c.changes || got[ChangeCaution] != c.caution {
			t.Errorf("%s: %v, want %d changes and %d cautions", name, got, c.changes, c.caution)
		}
	}
}
