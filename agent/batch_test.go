package agent

import (
	"slices"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// What two roots carry lets only one of them go, in whichever order and
// however often it is tried.
func TestTwoWithdrawsTogether(t *testing.T) {
	a, b := trusttest.NewAuthority(t, "Harbour Root 2016"), trusttest.NewAuthority(t, "Harbour Root 2018")
	heir := trusttest.NewAuthority(t, "Harbour Root 2026")
	past := clock.AddDate(0, 0, -1)
	for name, c := range map[string]struct {
		steps  []policy.Step // of a and b
		crane  served
		winch  served
		force  trusttest.Authority
		gone   []string
		within map[string]string // held root: the services that it waits for
	}{
		"either would do": {crane: under(a, b), winch: under(heir), gone: []string{"Harbour Root 2016"}, within: map[string]string{"Harbour Root 2018": "crane"}},
		"one each":        {crane: under(a), winch: under(b), within: map[string]string{"Harbour Root 2016": "crane", "Harbour Root 2018": "winch"}},
		"both, and one of them alone": {crane: under(a, b), winch: under(b), gone: []string{"Harbour Root 2016"},
			within: map[string]string{"Harbour Root 2018": "crane winch"}},
		"both moved": {crane: under(heir), winch: under(a, heir), gone: []string{"Harbour Root 2016", "Harbour Root 2018"}},
		"the first goes by its deadline": {steps: []policy.Step{{Standing: policy.Retired, Deadline: &past}, only(policy.Retired)}, crane: under(a, b), winch: under(heir),
			gone: []string{"Harbour Root 2016"}, within: map[string]string{"Harbour Root 2018": "crane"}},
		"the second goes by its deadline": {steps: []policy.Step{only(policy.Retired), {Standing: policy.Retired, Deadline: &past}}, crane: under(a, b), winch: under(heir),
			gone: []string{"Harbour Root 2018"}, within: map[string]string{"Harbour Root 2016": "crane"}},
		"the second is forced": {crane: under(a, b), winch: under(heir), force: b,
			gone: []string{"Harbour Root 2018"}, within: map[string]string{"Harbour Root 2016": "crane"}},
		"the second is blocked": {steps: []policy.Step{only(policy.Retired), only(policy.Distrusted)}, crane: under(a, b), winch: under(heir),
			gone: []string{"Harbour Root 2018"}, within: map[string]string{"Harbour Root 2016": "crane"}},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t)
			all := []trusttest.Authority{a, b, heir}
			for _, x := range all {
				r.store.Local[root.Of(x.Cert.Raw)] = x.Cert.Raw
			}
			if c.steps == nil {
				c.steps = []policy.Step{only(policy.Retired), only(policy.Retired)}
			}
			w := r.probing("crane", "winch")
			w.serves[at443("crane")], w.serves[at443("winch")] = c.crane, c.winch
			r.root(a, c.steps[0])
			r.root(b, c.steps[1])
			r.root(heir, only(policy.Trusted))
			reason := ""
			if c.force.Cert != nil {
				reason, r.only = "agreed", []root.Fingerprint{root.Of(c.force.Cert.Raw)}
			}
			for range 2 {
				_, res := r.enforce(r.signed(), reason)
				var gone []string
				for _, x := range all {
					if !r.holds(x) {
						gone = append(gone, x.Cert.Subject.CommonName)
					}
				}
				if !slices.Equal(gone, c.gone) || len(res.Held) != len(c.within) {
					t.Fatalf("gone %q, held %+v", gone, res.Held)
				}
				for _, h := range res.Held {
					var names []string
					for _, d := range h.Services {
						names = append(names, d.Service)
					}
					if strings.Join(names, " ") != c.within[h.Want.Label] {
						t.Errorf("%s is held for %q", h.Want.Label, names)
					}
				}
			}
		})
	}
}

// A root that only some programs find stands in for no root that all find; and
// it is kept for those that find it, where nothing else carries them.
func TestDoubtedRootsStandInForNone(t *testing.T) {
	s := snapshot(entry(fpA, at("bundle")), entry(fpB, at("bundle")))
	s.Store = trust.Machine
	h := holds(s, nil, nil)
	both := []root.Fingerprint{fpA, fpB}
	for name, c := range map[string]struct {
		doubted []root.Fingerprint
		a, b    bool // whether the service breaks without it
	}{
		"none":        {nil, false, false},
		"the renewed": {[]root.Fingerprint{fpB}, true, false},
		"both":        {both, false, false},
	} {
		k := Known{Anchors: both, Doubted: c.doubted}
		if a, b := h.breaks(k, fpA, nil), h.breaks(k, fpB, nil); a != c.a || b != c.b {
			t.Errorf("%s doubted: without the old one it breaks: %v, without the renewed one: %v", name, a, b)
		}
	}
	alone := Known{Anchors: []root.Fingerprint{fpB}, Doubted: []root.Fingerprint{fpB}}
	if !h.breaks(alone, fpB, nil) {
		t.Error("it carries those that find it alone")
	}
	v := trust.Verdict{Target: trust.Target{Address: at443("crane")}, At: clock, Answer: trust.Verifies, Endpoints: []trust.Endpoint{
		{Remote: "127.0.0.1:443", Answer: trust.Verifies, Leaf: &trust.ServedCertificate{}, Anchors: both, Doubted: []root.Fingerprint{fpB}}}}
	silent := v
	silent.Answer, silent.Endpoints = trust.Silent, []trust.Endpoint{{Remote: "127.0.0.1:443", Answer: trust.Silent}}
	for name, all := range map[string][]Known{"now": Remembered{}.known(v, clock), "before": Remembered{}.learn([]trust.Verdict{v}, nil, clock).known(silent, clock)} {
		if len(all) != 1 || !h.breaks(all[0], fpA, nil) {
			t.Errorf("%s: the doubt is forgotten: %+v", name, all)
		}
	}
}

// A root that stays carries a service only for readers that have it: each
// compiled part counts for itself.
func TestEachPartCountsForItself(t *testing.T) {
	s := snapshot(entry(fpA, at("bundle"), at("java")), entry(fpB, at("bundle")))
	s.Parts[2].Present = true
	s.Store = trust.Machine
	h := holds(s, nil, nil)
	both := Known{Anchors: []root.Fingerprint{fpA, fpB}}
	if !h.breaks(both, fpA, nil) {
		t.Error("for Java the first root carries it alone")
	}
	if h.breaks(both, fpB, nil) {
		t.Error("the second one carries nothing alone")
	}
	// A copy that not every account finds does not carry those that need it.
	for name, edit := range map[string]func(*trust.Location){
		"shut":     func(l *trust.Location) { l.Blocked = &trust.Blocked{} },
		"idle":     func(l *trust.Location) { l.Idle = "a hole before it" },
		"dangling": func(l *trust.Location) { l.Dangling = true },
	} {
		l := at("java")
		edit(&l)
		s.Entries[fpB] = entry(fpB, at("bundle"), l)
		if h := holds(s, nil, nil); !h.breaks(both, fpA, nil) {
			t.Errorf("%s: it counts", name)
		}
	}
	s.Entries[fpB] = entry(fpB, at("bundle"), at("java"))
	never := func(trust.StoreID, root.Fingerprint) bool { return false }
	expired := want(fpB, policy.Retired)
	expired.Expired = true
	for name, w := range map[string]Want{"not proven": want(fpB, policy.Trusted), "expired": expired} {
		if h := holds(s, []Want{w}, never); !h.breaks(both, fpA, nil) {
			t.Errorf("%s: it counts", name)
		}
	}
	if h := holds(s, []Want{want(fpB, policy.Retired)}, never); h.breaks(both, fpA, nil) || !h.breaks(both, fpA, rootSet{fpB: true}) {
		t.Error("a root that is to go carries as long as it stays")
	}
}

// A root that is placed in the same batch carries only once it was read back,
// which may be in the same run.
func TestWhatIsPlacedCarriesOnceItIsReadBack(t *testing.T) {
	for name, c := range map[string]struct {
		deny string
		gone bool
	}{"read back": {"", true}, "not proven": {"no permission", false}} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t)
			old, heir := trusttest.NewAuthority(t, "Harbour Root 2016"), trusttest.NewAuthority(t, "Harbour Root 2026")
			r.store.Local[root.Of(old.Cert.Raw)] = old.Cert.Raw
			w := r.probing("crane")
			w.serves[at443("crane")] = under(old, heir) // a cross-signed chain
			r.prover.deny[root.Of(heir.Cert.Raw)] = c.deny
			r.root(old, only(policy.Retired))
			r.root(heir, only(policy.Trusted)) // no successor by the policy
			if _, res := r.enforce(r.signed(), ""); r.holds(old) == c.gone || len(w.asked) == 0 {
				t.Fatalf("gone %v, held %+v", !r.holds(old), res.Held)
			}
			if r.store.Applied == 0 {
				t.Error("the new root was not placed")
			}
		})
	}
}

// A block is never held; what it breaks is told before and after.
func TestABlockTellsWhatItBreaks(t *testing.T) {
	r := newRig(t)
	a := trusttest.NewAuthority(t, "Harbour Root 2016")
	r.store.Local[root.Of(a.Cert.Raw)] = a.Cert.Raw
	w := r.probing("crane", "tide")
	w.serves[at443("crane")], w.serves[at443("tide")] = under(a), vendors(r)
	r.root(a, only(policy.Distrusted))
	before := 0
	w.onAsk = func() { before += r.store.Applied }
	p := r.preview(r.signed())
	if len(p.Planned) != 1 || len(p.Held) != 0 || len(p.Planned[0].Breaks) != 1 || p.Planned[0].Breaks[0].Service != "crane" {
		t.Fatalf("%+v", p.Planned)
	}
	w.asked = nil
	_, res := r.enforce(r.signed(), "")
	if r.holds(a) || len(res.Held) != 0 || len(res.Changes) != 1 || res.Changes[0].Err != nil {
		t.Fatalf("%s", brief(res))
	}
	if len(w.asked) != 1 || before != 1 {
		t.Errorf("asked %v, and %d refreshes before", w.asked, before)
	}
	if ch := res.Changes[0]; len(ch.Breaks) != 1 || ch.Breaks[0].Service != "crane" || len(ch.Notes) != 1 {
		t.Errorf("%+v", ch)
	}
	// Nobody can be asked, and it goes all the same.
	delete(r.store.Refuses, root.Of(a.Cert.Raw))
	r.store.Local[root.Of(a.Cert.Raw)] = a.Cert.Raw
	w.fail = errSilent
	if _, res := r.enforce(r.signed(), ""); r.holds(a) || len(res.Held) != 0 || !res.Right() {
		t.Fatalf("%s", brief(res))
	}
}
