package agent

import (
	"slices"
	"testing"
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

func TestSuccessions(t *testing.T) {
	heir := policy.Root{SHA256: fpB, Label: "Harbour Root 2026", Succeeds: &fpA}
	doc := policy.Document{Roots: []policy.Root{{SHA256: fpA, Label: "Harbour Root 2016"}, heir}}
	other := root.Of([]byte("another root that stays"))
	stays := func(fp root.Fingerprint) bool { return fp == fpB || fp == other }
	row := func(fp root.Fingerprint, s policy.Standing, right bool) Row {
		return Row{Want: want(fp, s), Right: right}
	}
	told := func(name string, days int, anchors ...root.Fingerprint) Known {
		return Known{Target: trust.Target{Service: name, Address: at443(name)}, At: clock.AddDate(0, 0, days), Anchors: anchors}
	}
	doubted := told("crane", 0, fpA, fpB) // its successor has another key identifier than the chain names
	doubted.Doubted = []root.Fingerprint{fpB}
	silent := told("silent", 0)
	silent.Unknown = "it does not answer"
	listener := told("listener", -9, fpA)
	listener.Target.Listener = true
	placed := []Row{row(fpA, policy.Retired, false), row(fpB, policy.Trusted, true)}

	for name, c := range map[string]struct {
		rows []Row
		ev   []Known
		want Succession
		left []string
	}{
		"nobody was asked":      {placed, nil, Succession{Placed: true}, nil},
		"not placed yet":        {[]Row{row(fpA, policy.Trusted, true), row(fpB, policy.Trusted, false)}, []Known{told("tide", 0, fpB)}, Succession{Total: 1, Moved: 1, Asked: clock}, nil},
		"one left":              {placed, []Known{told("crane", -1, fpA), told("tide", 0, fpB)}, Succession{Placed: true, Total: 2, Moved: 1, Asked: clock.AddDate(0, 0, -1)}, []string{"crane"}},
		"ready":                 {placed, []Known{told("crane", 0, fpB), told("tide", 0, fpB)}, Succession{Placed: true, Total: 2, Moved: 2, Asked: clock, Ready: true}, nil},
		"cross-signed":          {placed, []Known{told("crane", 0, fpA, fpB)}, Succession{Placed: true, Total: 1, Moved: 1, Asked: clock, Ready: true}, nil},
		"some find it":          {placed, []Known{doubted}, Succession{Placed: true, Total: 1, Asked: clock}, []string{"crane"}},
		"another carries it":    {placed, []Known{told("crane", 0, fpA, other)}, Succession{Placed: true, Total: 1, Moved: 1, Asked: clock, Ready: true}, nil},
		"neither carries it":    {placed, []Known{told("crane", 0, other)}, Succession{Placed: true}, nil},
		"one is silent":         {placed, []Known{told("tide", 0, fpB), silent}, Succession{Placed: true, Total: 2, Moved: 1, Asked: clock}, nil},
		"one address of two":    {placed, []Known{told("crane", 0, fpB), told("crane", 0, fpA)}, Succession{Placed: true, Total: 1, Asked: clock}, []string{"crane"}},
		"a listener is no name": {placed, []Known{told("tide", 0, fpB), listener}, Succession{Placed: true, Total: 1, Moved: 1, Asked: clock, Ready: true}, nil},
		"the old one is out":    {[]Row{row(fpA, policy.Retired, true), row(fpB, policy.Trusted, true)}, []Known{told("tide", 0, fpB)}, Succession{Placed: true, Gone: true, Total: 1, Moved: 1, Asked: clock, Ready: true}, nil},
	} {
		all := Successions(doc, c.rows, stays, Evidence{Endpoints: c.ev})
		if len(all) != 1 {
			t.Fatalf("%s: %+v", name, all)
		}
		s := all[0]
		var left []string
		for _, d := range s.Left {
			left = append(left, d.Service)
		}
		if s.From != fpA || s.To != fpB || s.FromLabel != "Harbour Root 2016" || s.ToLabel != "Harbour Root 2026" ||
			s.Placed != c.want.Placed || s.Gone != c.want.Gone || s.Total != c.want.Total || s.Moved != c.want.Moved || s.Ready != c.want.Ready ||
			!s.Asked.Equal(c.want.Asked) || !slices.Equal(left, c.left) || len(s.Unknown) != s.Total-s.Moved-len(left) {
			t.Errorf("%s: %+v", name, s)
		}
	}
	if all := Successions(policy.Document{Roots: doc.Roots[:1]}, placed, stays, Evidence{}); all != nil {
		t.Errorf("no succession: %+v", all)
	}
}

// verify tells what services told before, and asks nobody.
func TestALookRemembers(t *testing.T) {
	r := newRig(t)
	old, heir := trusttest.NewAuthority(t, "Harbour Root 2016"), trusttest.NewAuthority(t, "Harbour Root 2026")
	w := r.probing("crane", "tide")
	w.serves[at443("crane")], w.serves[at443("tide")] = under(old), under(heir)
	fp := root.Of(old.Cert.Raw)
	r.store.Local[fp] = old.Cert.Raw
	r.root(old, only(policy.Retired))
	r.root(heir, only(policy.Trusted)).Succeeds = &fp
	file := r.signed()
	look := func() Result {
		w.asked = nil
		a := &Agent{Stores: []trust.Store{r.store}, Ledger: r.ledger(), Prover: r.prover, Probing: w, State: r.state, Listeners: DefaultListeners()}
		b := r.believe(file)
		res := a.Look(t.Context(), Order{Policy: b.Policy, Host: r.host, Now: r.now})
		if len(w.asked) != 0 {
			t.Errorf("a look asked %v", w.asked)
		}
		return res
	}
	if s := look().Successions; len(s) != 1 || s[0].Placed || len(s[0].Unknown) != 2 || !s[0].Asked.IsZero() {
		t.Fatalf("before anybody was asked: %+v", s)
	}
	_, res := r.enforce(file, "")
	if s := res.Successions; len(s) != 1 || !s[0].Placed || s[0].Moved != 1 || len(s[0].Left) != 1 || s[0].Ready {
		t.Fatalf("%+v", res.Successions)
	}
	r.now = r.now.AddDate(0, 0, 3)
	res = look()
	if s := res.Successions[0]; s.Moved != 1 || len(s.Left) != 1 || !s.Asked.Equal(clock) {
		t.Errorf("three days later: %+v", s)
	}
	if next := res.Rows[0].Next; len(next) != 1 {
		t.Errorf("%q", next)
	} else {
		says(t, next[0], "anchorhold preview")
	}
	r.now = r.now.Add(5 * 24 * time.Hour)
	if s := look().Successions[0]; len(s.Unknown) != 2 || s.Ready {
		t.Errorf("eight days later: %+v", s)
	}
	if p := r.preview(file); p.Successions[0].Moved != 1 || !p.Evidence.Asked || len(p.Held) != 1 {
		t.Errorf("a preview asks: %+v", p.Successions)
	}
}
