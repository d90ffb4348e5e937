package main

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/root"
)

// waiting returns why nothing is due for a root, or "" where something is.
func (r jsonResult) waiting(fp string) string {
	for _, w := range r.Waiting {
		if w.Root.String() == fp {
			return w.Reason
		}
	}
	return ""
}

// TestStagesByLabel has one root for hosts of this label, one for hosts of
// another, and one with a standing for each.
func TestStagesByLabel(t *testing.T) {
	if !onMachine(t) {
		return
	}
	o := newOffice(t, "--label", "ring=pilot", "--label", "site=north")
	o.more = `[[stage]]
name = "pilot"
labels = { ring = "pilot" }
[[stage]]
name = "pilot-south"
labels = { ring = "pilot", site = "south" }
`
	_, here := o.authority("Harbour Here")
	_, there := o.authority("Harbour There")
	_, both := o.authority("Harbour Both")
	o.sign(here.as("", `standings = [{ standing = "trusted", stage = "pilot" }]`),
		there.as("", `standings = [{ standing = "trusted", stage = "pilot-south" }]`),
		both.as("", `standings = [{ standing = "trusted" }, { standing = "distrusted", stage = "pilot-south" }]`))
	r := result(t, 0, "enforce")
	r.placement(t, here.sha).expect(t, "placed", true, agent.Us)
	r.placement(t, both.sha).expect(t, "placed", true, agent.Us)
	says(t, r.waiting(there.sha), "site=south")
	known(t, here.sha, here.file, true)
	known(t, there.sha, there.file, false)
	says(t, must(t, 0, "/", "verify").out, "not due yet", "site=south")

	// The host moves: its settings are taken anew, the pin stays.
	starter := must(t, 0, o.dir, "starter", "--label", "ring=pilot", "--label", "site=south")
	write(t, o.path("south.toml"), starter.out, 0o644)
	must(t, 0, "/", "adopt", o.path("south.toml"))
	r = result(t, 0, "enforce")
	r.placement(t, there.sha).expect(t, "placed", true, agent.Us)
	r.placement(t, both.sha).expect(t, "absent", true, "")
	known(t, both.sha, both.file, false)
}

// TestStagesByPercent widens a stage until this host is in it; a host that was
// in it stays.
func TestStagesByPercent(t *testing.T) {
	if !onMachine(t) {
		return
	}
	o := newOffice(t)
	_, e := o.authority("Harbour Wide")
	o.sign() // the host gets its identity
	id := result(t, 0, "enforce").Host
	if len(id) != 32 {
		t.Fatalf("the host is %q", id)
	}
	fp, err := root.ParseFingerprint(e.sha)
	if err != nil {
		t.Fatal(err)
	}
	// The least percentage that takes this host, by the documented rule.
	least := 1 + int(policy.Share("harbour", fp, id)/(1<<63/50))
	t.Logf("this host is in from %d percent on", least)
	for _, percent := range []int{least - 1, least, min(100, least+1), 100} {
		if percent < 1 {
			continue
		}
		o.more = fmt.Sprintf("[[stage]]\nname = \"part\"\npercent = %d\n", percent)
		o.sign(e.as("", `standings = [{ standing = "trusted", stage = "part" }]`))
		r := result(t, 0, "enforce")
		if r.Host != id {
			t.Errorf("the host is another: %s", r.Host)
		}
		if percent < least {
			says(t, r.waiting(e.sha), fmt.Sprintf("%d percent", percent))
			known(t, e.sha, e.file, false)
			continue
		}
		r.placement(t, e.sha).expect(t, "placed", true, agent.Us)
	}
}

// TestStagesByStart has a stage open while the policy lives, and one that
// would open when it has ended.
func TestStagesByStart(t *testing.T) {
	if !onMachine(t) {
		return
	}
	o := newOffice(t)
	now := time.Now().UTC().Truncate(time.Second)
	soon, late := now.AddDate(0, 0, 10), now.AddDate(0, 0, 100)
	o.more = fmt.Sprintf("[[stage]]\nname = \"soon\"\nstart = %s\n[[stage]]\nname = \"late\"\nstart = %s\n", soon.Format(time.RFC3339), late.Format(time.RFC3339))
	_, early := o.authority("Harbour Early")
	_, after := o.authority("Harbour After")
	o.sign(early.as("", `standings = [{ standing = "trusted", stage = "soon" }]`),
		after.as("", `standings = [{ standing = "trusted", stage = "late" }]`))
	r := result(t, 0, "enforce")
	says(t, r.waiting(early.sha), soon.Format("2006-01-02"))
	if e := onClock(t, soon.Add(-time.Second), "enforce"); e.code != 0 || strings.Contains(e.out, "placed ") {
		t.Errorf("a second too early: %d %s", e.code, e.out)
	}
	known(t, early.sha, early.file, false)
	decoded(t, onClock(t, soon, "enforce", "--json")).placement(t, early.sha).expect(t, "placed", true, agent.Us)
	known(t, early.sha, early.file, true)

	// Past its end the policy opens no stage; what was due stays.
	r = decoded(t, onClock(t, late.AddDate(0, 0, 1), "enforce", "--json"))
	r.placement(t, early.sha).expect(t, "placed", true, agent.Us)
	if r.waiting(after.sha) == "" || len(r.Conditions) != 1 || r.Conditions[0] != agent.Stale || r.Exit != exitWrong {
		t.Errorf("waiting %q, conditions %q, exit %d", r.Waiting, r.Conditions, r.Exit)
	}
	known(t, after.sha, after.file, false)
}

// TestDeadline has a retirement wait for its day.
func TestDeadline(t *testing.T) {
	if !onMachine(t) {
		return
	}
	o := newOffice(t)
	a, e := o.authority("Harbour Leaving")
	cert, key := a.Issue(t, crane)
	o.more = fmt.Sprintf("[[service]]\nname = \"crane\"\naddress = \"127.0.0.1:%s\"\nidentity = %q\n", serve(t, cert, key), crane)
	o.sign(e)
	result(t, 0, "enforce")
	last := time.Now().UTC().AddDate(0, 0, 5)
	o.sign(e.as("", fmt.Sprintf(`standings = [{ standing = "retired", deadline = %s }]`, last.Format("2006-01-02"))))
	r := result(t, exitWrong, "enforce")
	if len(r.Held) != 1 || !strings.Contains(r.Held[0].Next, last.Format("2006-01-02")) {
		t.Errorf("held %+v", r.Held)
	}
	if p := r.placement(t, e.sha); p.Deadline != last.Format("2006-01-02") {
		t.Errorf("deadline %q", p.Deadline)
	}
	evening := time.Date(last.Year(), last.Month(), last.Day(), 23, 59, 59, 0, time.UTC)
	if e := onClock(t, evening, "enforce"); e.code != exitWrong {
		t.Errorf("on the day itself: exit %d\n%s", e.code, e.all())
	}
	decoded(t, onClock(t, evening.Add(time.Second), "enforce", "--json")).placement(t, e.sha).expect(t, "absent", true, "")
	known(t, e.sha, e.file, false)
}

// TestSuccessor holds a withdraw until the successor is proven, in one run.
func TestSuccessor(t *testing.T) {
	if !onMachine(t) {
		return
	}
	o := newOffice(t)
	_, old := o.authority("Harbour Old")
	_, next := o.authority("Harbour Next")
	o.sign(old)
	result(t, 0, "enforce")
	// With a deadline that has passed the successor alone decides.
	past := time.Now().UTC().AddDate(0, 0, -2).Format("2006-01-02")
	next.more = []string{fmt.Sprintf("succeeds = %q", old.label)}
	retired := old.as("", fmt.Sprintf(`standings = [{ standing = "retired", deadline = %s }]`, past))
	o.sign(retired, next)
	says(t, must(t, exitWrong, "/", "preview").out, "its successor Harbour Next")
	r := result(t, 0, "enforce")
	r.placement(t, next.sha).expect(t, "placed", true, agent.Us)
	r.placement(t, old.sha).expect(t, "absent", true, "")
	if len(r.Changes) != 2 || string(r.Changes[0].Op) != "place" {
		t.Errorf("changes %+v", r.Changes)
	}
	known(t, old.sha, old.file, false)
	known(t, next.sha, next.file, true)
}
