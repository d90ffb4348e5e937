package agent

import (
	"testing"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// TestAside: a copy in an account's own store never counts, is told, and goes
// only where the policy says so; what a directory brings is not ours to take.
func TestAside(t *testing.T) {
	user := trust.Location{Part: trust.UserStores, Path: "HKU"}
	domain := trust.Location{Part: SourcePart, Path: "GP", Origin: trust.FromDirectory}
	for name, c := range map[string]struct {
		standing     policy.Standing
		sweep, right bool
		state, is    trust.State
		found        []trust.Location
		ops          int
		notes        bool
	}{
		"wanted":                 {policy.Trusted, false, false, trust.Absent, trust.UserOnly, nil, 1, false},
		"wanted and placed":      {policy.Trusted, false, true, trust.Placed, trust.Placed, nil, 0, true},
		"retired":                {policy.Retired, false, true, trust.Absent, trust.Absent, nil, 0, true},
		"retired, swept":         {policy.Retired, true, false, trust.Absent, trust.Lingering, nil, 1, false},
		"distrusted, swept":      {policy.Distrusted, true, false, trust.Refused, trust.Lingering, nil, 1, false},
		"retired, a directory's": {policy.Retired, false, false, trust.Placed, trust.Lingering, []trust.Location{domain}, 0, true},
	} {
		w := Want{Standing: c.standing, Sweep: c.sweep, Store: trust.Machine, Root: trust.Root{Fingerprint: root.Fingerprint{1}}}
		p := trust.Placement{State: c.state, Found: c.found, Aside: []trust.Location{user}}
		row := judge(w, p, nil, nil)
		if row.State != c.is || row.Right != c.right || len(row.Notes) > 0 != c.notes || !row.Right && len(row.Reasons) == 0 {
			t.Errorf("%s: %s, right %v, notes %q, reasons %q", name, row.State, row.Right, row.Notes, row.Reasons)
		}
		if ops := due(w, p, nil); len(ops) != c.ops {
			t.Errorf("%s: %v", name, ops)
		}
	}
}
