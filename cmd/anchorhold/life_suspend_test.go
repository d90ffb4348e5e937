package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/agent/ledger"
)

// TestSuspend keeps roots as they are on the real command: taken out by hand,
// about to be placed, about to be blocked; until it ends, by itself or not.
func TestSuspend(t *testing.T) {
	if !onMachine(t) {
		return
	}
	s := newStation(t, "quay")
	s.office(0, "keyset new --policy harbour --threshold 1 quay.pub")
	one := s.sign(1, "quay", "Quay=trusted", "Tower=trusted")
	s.adopt("")
	s.offer(one)
	s.run(0, "enforce")
	s.wantIn(true, "Quay", "Tower")
	short := s.print("Quay")[:16]

	for _, bad := range [][]string{{"suspend", short, "why"}, {"suspend", short, "--for", "48h"}, {"suspend", short, "--for", "8d", "why"},
		{"suspend", short, "--for", "soon", "why"}, {"suspend", short[:7], "--for", "48h", "why"}, {"suspend", "0123456789abcdef", "--for", "48h", "why"}} {
		if e := onClock(t, s.now, bad...); e.code != 2 {
			t.Errorf("%q: exit %d", bad, e.code)
		}
	}
	if e := asNobody(t, installed, "suspend", short, "--for", "48h", "why"); e.code != 2 || !strings.Contains(e.err, "root") {
		t.Errorf("an account without rights: %d %s", e.code, e.all())
	}
	s.run(0, "suspend "+short+" --for 48h", "the crane is being moved")

	// Break-glass: somebody takes it out by hand, with the platform's own tool.
	for _, name := range globs(t, sourceDir+"/anchorhold-"+s.print("Quay")[:32]+".crt") {
		if err := os.Remove(name); err != nil {
			t.Fatal(err)
		}
	}
	tool(t, platform, "--fresh")
	s.wantIn(false, "Quay")
	for _, line := range []string{"verify", "preview", "enforce"} {
		r := s.told(1, line)
		if len(r.Suspended) != 1 || r.Suspended[0].Reason != "the crane is being moved" || r.Suspended[0].Label != "Quay" {
			t.Errorf("%s: suspended %+v", line, r.Suspended)
		}
		if line != "verify" && (len(r.Held) != 1 || len(r.Changes) != 0) {
			t.Errorf("%s: held %+v, changes %+v", line, r.Held, r.Changes)
		}
	}
	s.wantIn(false, "Quay")
	says(t, s.run(1, "verify").out, "suspended: Quay", "the crane is being moved", "--end")
	if seen := decoded(t, asNobody(t, installed, "verify", "--json")); len(seen.Suspended) != 1 || seen.Suspended[0].Root.String() != s.print("Quay") {
		t.Errorf("an account without rights sees %+v", seen.Suspended)
	}

	// A root that the policy distrusts is not suspended, before or after.
	s.run(0, "suspend "+s.print("Tower")+" --for 1h", "not now")
	two := s.sign(2, "quay", "Quay=trusted", "Tower=distrusted")
	s.offer(two)
	if r := s.told(1, "enforce"); len(r.Changes) != 1 || r.Changes[0].Error != "" {
		t.Errorf("changes %+v", r.Changes)
	}
	s.wantIn(false, "Quay", "Tower")
	s.run(1, "suspend "+s.print("Tower")+" --for 1h", "still not")

	// Ended by hand: put back, as drift is.
	s.run(0, "suspend "+short+" --end")
	if r := s.told(1, "verify"); len(r.Suspended) != 1 || r.placement(t, s.print("Quay")).Right ||
		!strings.Contains(strings.Join(r.placement(t, s.print("Quay")).Next, " "), "suspend "+short) {
		t.Errorf("%+v", r.placement(t, s.print("Quay")))
	}
	s.run(1, "enforce") // Tower's suspension is still told
	s.wantIn(true, "Quay")

	// Ended by itself.
	s.run(0, "suspend "+short+" --for 2d", "the crane again")
	s.now = s.now.Add(48 * time.Hour)
	if r := s.told(0, "enforce"); len(r.Suspended) != 0 {
		t.Errorf("still suspended: %+v", r.Suspended)
	}
	var h struct {
		Schema, Exit, Damaged int
		Events                []ledger.Event
	}
	decode(t, s.run(0, "history --json").out, &h)
	count := map[string]int{}
	for _, e := range h.Events {
		count[string(e.Op)]++
		if e.Op == ledger.Suspend && (e.Until == nil || e.Root.IsZero() || e.Why == "") {
			t.Errorf("%+v", e)
		}
	}
	if count["suspend"] != 3 || count["resume"] != 1 {
		t.Errorf("history counts %v", count)
	}

	// A file that cannot be read is an error, and nothing changes.
	write(t, stateFile(agent.SuspendedFile), "{}", 0o600)
	before := tree(t)
	s.run(2, "enforce")
	s.run(2, "verify")
	before.same(t, tree(t), statePath)
}

func globs(t *testing.T, pattern string) []string {
	t.Helper()
	found, err := filepath.Glob(pattern)
	if err != nil || len(found) == 0 {
		t.Fatalf("%s: %v, %d found", pattern, err, len(found))
	}
	return found
}
