package agent

import (
	"testing"
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// A torn store is refreshed once, through a root that is in place, and only
// where nothing else refreshes it.
func TestMend(t *testing.T) {
	one, two := trusttest.NewAuthority(t, "Harbour A"), trusttest.NewAuthority(t, "Harbour B")
	want := func(a trusttest.Authority, s policy.Standing) Want {
		return Want{Store: trust.Machine, Root: trust.Root{Fingerprint: root.Of(a.Cert.Raw), DER: a.Cert.Raw}, Standing: s, Stage: policy.AllHosts}
	}
	snap := func(fault trust.Fault, placed ...trusttest.Authority) map[trust.StoreID]trust.Snapshot {
		s := trust.Snapshot{Store: trust.Machine, Entries: map[root.Fingerprint]trust.Entry{},
			Parts: []trust.Part{{Name: SourcePart, Kind: trust.Source, Present: true}, {Name: "bundle", Kind: trust.Compiled, Present: true, Faults: []trust.Fault{fault}}}}
		for _, a := range placed {
			fp := root.Of(a.Cert.Raw)
			s.Entries[fp] = trust.Entry{Fingerprint: fp, DER: a.Cert.Raw, Locations: []trust.Location{{Part: SourcePart, Path: "/a"}, {Part: "bundle", Path: "/b"}}}
		}
		return map[trust.StoreID]trust.Snapshot{trust.Machine: s}
	}
	bad, harmless := trust.Fault{Code: "repeated", Mend: true}, trust.Fault{Code: "dangling"}
	suspended, _, err := Suspensions(nil).Begin(root.Of(one.Cert.Raw), time.Hour, "why", clock)
	if err != nil {
		t.Fatal(err)
	}
	blocked := want(one, policy.Trusted)
	blocked.Findings = []root.Finding{{Severity: root.Refuse, Code: "not-a-ca"}}
	for name, c := range map[string]struct {
		wants     []Want
		observed  map[trust.StoreID]trust.Snapshot
		steps     []Step
		suspended Suspensions
		n         int
	}{
		"torn":                  {[]Want{want(one, policy.Trusted), want(two, policy.Trusted)}, snap(bad, one, two), nil, nil, 1},
		"whole":                 {[]Want{want(one, policy.Trusted)}, snap(harmless, one), nil, nil, 0},
		"refreshed anyway":      {[]Want{want(one, policy.Trusted)}, snap(bad, one), []Step{{Change: trust.Change{Store: trust.Machine}}}, nil, 0},
		"nothing trusted there": {[]Want{want(one, policy.Retired)}, snap(bad, one), nil, nil, 0},
		"not in place":          {[]Want{want(one, policy.Trusted)}, snap(bad), nil, nil, 0},
		"through another":       {[]Want{want(one, policy.Retired), want(two, policy.Trusted)}, snap(bad, one, two), nil, nil, 1},
		"suspended":             {[]Want{want(one, policy.Trusted)}, snap(bad, one), nil, suspended, 0},
		"not to be placed":      {[]Want{blocked}, snap(bad, one), nil, nil, 0},
		"not observed":          {[]Want{want(one, policy.Trusted)}, nil, nil, nil, 0},
	} {
		got := mend(c.wants, c.observed, c.steps, Order{Now: clock, Suspended: c.suspended})
		if len(got) != c.n || c.n == 1 && got[0].Change.Op != trust.Place {
			t.Errorf("%s: %+v", name, got)
		}
	}
}
