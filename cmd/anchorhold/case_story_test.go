package main

import (
	"bytes"
	"encoding/json"
	"encoding/pem"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/root"
)

// Policies that come and go while the clock jumps: C39.

// onClock runs the program in this process, at a time of the test's choice.
func onClock(t *testing.T, now time.Time, args ...string) ended {
	t.Helper()
	var out, log bytes.Buffer
	a := newApp(stdio{in: strings.NewReader(""), out: &out, err: &log}, func() time.Time { return now })
	code := a.run(t.Context(), args)
	return ended{code: code, out: out.String(), err: log.String()}
}

// body is a policy as the case writes it.
type body struct {
	Version uint64    `json:"version"`
	Issued  time.Time `json:"issued"`
	Expires time.Time `json:"expires"`
	Trusted []string  `json:"trusted"`
}

// c39Sign signs a body in our own format. What ends in 2040 ends after the
// longest life of a policy here, which is beyond the whole story.
func c39Sign(t *testing.T, o *office, dir, name string) []byte {
	t.Helper()
	var b body
	if err := json.Unmarshal([]byte(read(t, filepath.Join(dir, name))), &b); err != nil {
		t.Fatal(err)
	}
	o.version = int(b.Version) - 1
	d := o.document(b.Issued, c39Roots(t, dir, b.Trusted)...)
	d.Expires = b.Expires
	if last := b.Issued.Add(policy.MaxLifetime); d.Expires.After(last) {
		d.Expires = last
	}
	return o.unvetted(d)
}

func c39Roots(t *testing.T, dir string, fps []string) []policy.Root {
	t.Helper()
	var roots []policy.Root
	for rest := []byte(read(t, filepath.Join(filepath.Dir(dir), "C07", "three-roots.pem"))); ; {
		var b *pem.Block
		if b, rest = pem.Decode(rest); b == nil {
			break
		}
		if fp := root.Of(b.Bytes); slices.Contains(fps, fp.String()) {
			roots = append(roots, policy.Root{SHA256: fp, DER: b.Bytes, Label: "Harbour " + fp.Short(), Purposes: []string{policy.TLSServer},
				Stores: []string{policy.MachineStore}, Standings: []policy.Step{{Standing: policy.Trusted, Stage: policy.AllHosts}}})
		}
	}
	if len(roots) != len(fps) {
		t.Fatalf("%d of %d roots found", len(roots), len(fps))
	}
	return roots
}

// told is one line of the story with what came of it.
type told struct {
	clock, offered, right string
	enforced, verified    jsonResult
	text                  string // what a person sees
	bundle                []string
}

// c39Play plays the story on this machine.
func c39Play(t *testing.T, dir string) []told {
	t.Helper()
	o := newOffice(t)
	write(t, inForce, string(c39Sign(t, o, dir, "held-v7.json")), 0o644)
	held := read(t, inForce)
	if e := onClock(t, time.Date(2026, 5, 2, 0, 0, 0, 0, time.UTC), "enforce"); e.code != 0 {
		t.Fatalf("version 7 does not come into force: %s", e.all())
	}
	var story []told
	for line := range strings.Lines(read(t, filepath.Join(dir, "story.txt"))) {
		f := strings.Split(strings.TrimSpace(line), " | ")
		if len(f) != 3 {
			t.Fatalf("line %q", line)
		}
		now, err := time.Parse(time.RFC3339, f[0])
		if err != nil {
			t.Fatal(err)
		}
		write(t, inForce, held, 0o644)
		if f[1] != "-" {
			write(t, inForce, string(c39Sign(t, o, dir, f[1])), 0o644)
		}
		s := told{clock: f[0], offered: f[1], right: f[2]}
		e := onClock(t, now, "enforce")
		s.text = e.all()
		s.enforced, s.verified = decoded(t, onClock(t, now, "enforce", "--json")), decoded(t, onClock(t, now, "verify", "--json"))
		s.text += onClock(t, now, "verify").all()
		s.bundle = bundle(t)
		if f[1] == "next-v8.json" {
			held = read(t, inForce)
		}
		story = append(story, s)
	}
	if len(story) != 7 {
		t.Fatalf("%d lines", len(story))
	}
	return story
}

func (s told) expect(t *testing.T, version uint64, conditions ...agent.Condition) {
	t.Helper()
	for _, r := range []jsonResult{s.enforced, s.verified} {
		if r.Policy == nil || r.Policy.Version != version {
			t.Errorf("%s, %s: %+v is in force, not version %d", s.clock, s.offered, r.Policy, version)
		}
		for _, c := range []agent.Condition{agent.Refused, agent.Stale, agent.ClockBehind, agent.Unreachable, agent.TooNew, agent.NoPolicy} {
			if slices.Contains(r.Conditions, c) != slices.Contains(conditions, c) {
				t.Errorf("%s, %s: conditions %q, want %q", s.clock, s.offered, r.Conditions, conditions)
			}
		}
	}
}

func c39Held(t *testing.T, dir string) {
	story := c39Play(t, dir)
	story[0].expect(t, 7, agent.Stale)
	for _, p := range story[0].verified.Placements {
		p.expect(t, "placed", true, agent.Us)
	}
	if story[0].verified.Exit != exitWrong {
		t.Errorf("exit %d with an expired policy", story[0].verified.Exit)
	}
	says(t, story[0].text, "the policy has expired")
}

func c39Floor(t *testing.T, dir string) {
	story := c39Play(t, dir)
	for i, code := range map[int]string{1: policy.CodeRollback, 2: policy.CodeEquivocation} {
		s := story[i]
		s.expect(t, 7, agent.Stale, agent.Refused)
		if s.verified.Exit != exitWrong || len(s.enforced.Changes) > 0 {
			t.Errorf("%s: exit %d, changes %+v", s.offered, s.verified.Exit, s.enforced.Changes)
		}
		if s.verified.Code != code {
			t.Errorf("%s: code %q, want %q: %s", s.offered, s.verified.Code, code, s.verified.Error)
		}
		says(t, s.text, "["+code+"]")
	}
	says(t, story[1].text, "the offered policy is not believed; the last good one stays")
}

func c39Clock(t *testing.T, dir string) {
	before := bundle(t)
	story := c39Play(t, dir)
	first := story[0].bundle
	if len(first) != len(before)+2 {
		t.Errorf("%d roots before the story, %d in it", len(before), len(first))
	}
	for _, s := range story {
		if lost := missing(first, s.bundle); len(lost) > 0 {
			t.Errorf("%s, %s: took out %q", s.clock, s.offered, lost)
		}
		never(t, s.text, "not yet valid", "not valid before")
		if strings.HasPrefix(s.clock, "1970") {
			says(t, s.text, "the clock is wrong, not the roots")
		}
		for _, p := range s.verified.Placements {
			p.expect(t, "placed", true, agent.Us)
		}
	}
	story[3].expect(t, 7, agent.ClockBehind)
	story[4].expect(t, 7, agent.ClockBehind, agent.Refused)
}

func c39Next(t *testing.T, dir string) {
	story := c39Play(t, dir)
	story[5].expect(t, 8)
	if story[5].verified.Exit != 0 || len(story[5].verified.Placements) != 2 {
		t.Errorf("exit %d, %d placements", story[5].verified.Exit, len(story[5].verified.Placements))
	}
	story[6].expect(t, 8, agent.Refused)
	if code := story[6].verified.Code; code != policy.CodeRollback {
		t.Errorf("code %q: %s", code, story[6].verified.Error)
	}

	// After a restart, and with the policy of version 7 put back into the state.
	july := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	floor, next := read(t, "/var/lib/anchorhold/"+agent.FloorFile), read(t, "/var/lib/anchorhold/"+agent.PolicyFile)
	seventh := read(t, inForce)
	write(t, "/var/lib/anchorhold/"+agent.PolicyFile, seventh, 0o600)
	now := bundle(t)
	r := decoded(t, onClock(t, july, "enforce", "--json"))
	if r.Policy != nil || r.Exit == 0 || !slices.Contains(r.Conditions, agent.Refused) || len(r.Changes) > 0 {
		t.Errorf("version 7 is believed again: %+v, %q", r.Policy, r.Conditions)
	}
	if read(t, "/var/lib/anchorhold/"+agent.FloorFile) != floor || !slices.Equal(now, bundle(t)) {
		t.Error("the floor or the store changed")
	}
	write(t, inForce, next, 0o644)
	r = decoded(t, onClock(t, july, "enforce", "--json"))
	if r.Policy == nil || r.Policy.Version != 8 || r.Exit != 0 {
		t.Errorf("version 8 is not believed any more: %q %s", r.Conditions, r.Error)
	}
}
