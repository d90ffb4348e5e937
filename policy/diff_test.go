package policy

import (
	"strings"
	"testing"
)

func TestDiff(t *testing.T) {
	k := firstKeyset(1, testSigner(t, Ed25519, 1))
	ca := newCA(t, "Harbour Root 2026", 1, nil)
	start, deadline := at("2026-03-01"), at("2026-06-01")
	a, b, c, d := anyRoot(1, Trusted), anyRoot(2, Trusted), anyRoot(3, Trusted), anyRoot(4, Trusted)
	fresh := Root{SHA256: ca.fp(), DER: ca.cert.Raw, Label: "fresh", Purposes: []string{TLSServer}, Stores: []string{MachineStore}, Standings: []Step{{Standing: Trusted, Stage: "pilot"}}}
	old := document(k, 1, at("2026-01-02"), at("2026-03-01"), a, b, c, d)
	b2, c2, d2 := b.clone(), c.clone(), d.clone()
	b2.Standings = []Step{b.Standings[0], {Standing: Retired, Stage: "pilot", Deadline: &deadline}}
	c2.Standings[0].Standing = Distrusted
	d2.Purposes = []string{Email}
	d2.Waivers = []Waiver{{"curve", "old scales"}}
	next := document(k, 2, at("2026-01-03"), at("2026-03-01"), fresh, b2, c2, d2)
	next.Stages = []Stage{{Name: "pilot", Percent: 5, Labels: map[string]string{"site": "north"}, Start: &start}}

	lines := Diff(old, next)
	want := []struct {
		kind string
		of   Root
		from Standing
		to   Standing
		text []string
	}{
		{ChangeNew, fresh, "", Trusted, []string{"becomes trusted", "5 percent", "site=north", "2026-03-01"}},
		{ChangeStanding, b, "", Retired, []string{"becomes retired", "after 2026-06-01"}},
		{ChangeStanding, c, Trusted, Distrusted, []string{"from trusted to distrusted", "all hosts"}},
		{ChangeScope, d, "", "", []string{"purposes from tls-server to email"}},
		{ChangeUnlisted, a, Trusted, "", []string{"stays where it was placed"}},
		{ChangeCaution, fresh, "", "", []string{"any DNS name"}},
		{ChangeCaution, c, "", "", []string{"nothing holds that back"}},
		{ChangeCaution, d, "", "", []string{`"curve" is waived: old scales`}},
	}
	if len(lines) != len(want) {
		t.Fatalf("%d lines, want %d: %+v", len(lines), len(want), lines)
	}
	for i, w := range want {
		l := lines[i]
		if l.Kind != w.kind || l.Root != w.of.SHA256 || l.From != w.from || l.To != w.to {
			t.Errorf("line %d: %+v", i, l)
		}
		for _, text := range w.text {
			if !strings.Contains(l.Text, text) {
				t.Errorf("line %d: %q has no %q", i, l.Text, text)
			}
		}
	}
	if got := Diff(next, next); len(got) != 1 || got[0].Kind != ChangeCaution {
		t.Errorf("no change: %+v", got)
	}
	// The same words, but the stage grew: that is a change for its hosts.
	grown := next.clone()
	grown.Stages[0].Percent = 50
	changed := 0
	for _, l := range Diff(next, grown) {
		if l.Kind == ChangeStanding && strings.Contains(l.Text, "stays") && strings.Contains(l.Text, "50 percent") {
			changed++
		}
	}
	if changed != 2 {
		t.Errorf("a stage that grew: %+v", Diff(next, grown))
	}
	// A standing that is left out is told.
	shorter := next.clone()
	shorter.Roots[1].Standings = shorter.Roots[1].Standings[:1]
	if l := Diff(next, shorter)[0]; l.From != Retired || l.To != "" || l.Root != b.SHA256 {
		t.Errorf("a standing left out: %+v", l)
	}
	if l := Diff(Document{}, old); len(l) != 4+0 || l[0].Kind != ChangeNew {
		t.Errorf("the first policy: %+v", l)
	}
}

func TestKeysetCautions(t *testing.T) {
	a, b, c := testSigner(t, Ed25519, 1), testSigner(t, Ed25519, 2), testSigner(t, Ed25519, 3)
	for threshold, want := range map[int]string{1: "any one of 3", 3: "all 3 keys"} {
		got := KeysetCautions(firstKeyset(threshold, a, b, c))
		if len(got) != 2 || !strings.Contains(got[0].Text, want) {
			t.Errorf("%d of 3: %+v", threshold, got)
		}
	}
	if got := KeysetCautions(firstKeyset(1, a)); len(got) != 2 || !strings.Contains(got[0].Text, "one key signs alone") {
		t.Errorf("1 of 1: %+v", got)
	}
	safe := firstKeyset(2, a, b, c)
	safe.Contingency = Digest{1}
	if got := KeysetCautions(safe); got != nil {
		t.Errorf("2 of 3 with contingency: %+v", got)
	}
}
