package policy

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust/root"
)

func TestDue(t *testing.T) {
	early, late, deadline := at("2026-02-01"), at("2026-03-01"), at("2026-04-30T23:59:59Z")
	stages := []Stage{
		{Name: "north", Percent: 100, Labels: map[string]string{"site": "north", "role": "quay"}},
		{Name: "early", Percent: 100, Start: &early},
		{Name: "late", Percent: 100, Start: &late},
		{Name: "some", Percent: 1},
	}
	north := map[string]string{"site": "north", "role": "quay", "more": "x"}
	step := func(s Standing, stage string) Step { return Step{Standing: s, Stage: stage} }
	for name, c := range map[string]struct {
		steps    []Step
		labels   map[string]string
		asOf     string
		standing Standing
		step     int // index; -1: nothing is due
		deadline bool
		next     *time.Time
		reason   string
	}{
		"all hosts":             {[]Step{step(Trusted, AllHosts)}, nil, "2026-01-01", Trusted, 0, false, nil, ""},
		"last due wins":         {[]Step{step(Trusted, AllHosts), step(Retired, "early")}, nil, "2026-02-01", Retired, 1, false, nil, ""},
		"second not yet":        {[]Step{step(Trusted, AllHosts), step(Retired, "early")}, nil, "2026-01-31T23:59:59Z", Trusted, 0, false, &early, ""},
		"order, not time":       {[]Step{step(Retired, "late"), step(Trusted, "early")}, nil, "2026-05-01", Trusted, 1, false, nil, ""},
		"neither yet":           {[]Step{step(Retired, "late"), step(Trusted, "early")}, nil, "2026-01-01", "", -1, false, &early, "opens on 2026-02-01"},
		"all labels":            {[]Step{step(Trusted, "north")}, north, "2026-01-01", Trusted, 0, false, nil, ""},
		"one label of two":      {[]Step{step(Trusted, "north")}, map[string]string{"site": "north"}, "2026-01-01", "", -1, false, nil, "role=quay"},
		"other value":           {[]Step{step(Trusted, "north")}, map[string]string{"site": "north", "role": "crane"}, "2026-01-01", "", -1, false, nil, "role=quay"},
		"no labels at all":      {[]Step{step(Trusted, "north")}, nil, "2026-01-01", "", -1, false, nil, "role=quay, site=north"},
		"no label, no next":     {[]Step{step(Trusted, "some")}, nil, "2026-01-01", "", -1, false, nil, "1 percent"},
		"unknown stage":         {[]Step{step(Distrusted, "unheard")}, nil, "2026-01-01", "", -1, false, nil, "nothing is due"},
		"until ahead":           {[]Step{{Standing: Trusted, Stage: AllHosts, Until: &late}}, nil, "2026-02-28", Trusted, 0, false, nil, ""},
		"until reached":         {[]Step{{Standing: Trusted, Stage: AllHosts, Until: &late}}, nil, "2026-03-01", Retired, 0, false, nil, "trusted until"},
		"deadline day":          {[]Step{{Standing: Retired, Stage: AllHosts, Deadline: &deadline}}, nil, "2026-04-30", Retired, 0, false, nil, ""},
		"deadline passed":       {[]Step{{Standing: Retired, Stage: AllHosts, Deadline: &deadline}}, nil, "2026-05-01", Retired, 0, true, nil, ""},
		"deadline of one ahead": {[]Step{step(Trusted, AllHosts), {Standing: Retired, Stage: "late", Deadline: &early}}, nil, "2026-02-20", Trusted, 0, false, &late, ""},
	} {
		r := anyRoot(1, Trusted)
		r.Standings = c.steps
		due := Due(Document{Name: "harbour", Stages: stages, Roots: []Root{r}}, HostFacts{ID: "host", Labels: c.labels}, at(c.asOf))
		if len(due) != 1 {
			t.Fatalf("%s: %d roots", name, len(due))
		}
		d := due[0]
		if d.Standing != c.standing || d.DeadlinePassed != c.deadline || !strings.Contains(d.Reason, c.reason) || d.Reason == "" {
			t.Errorf("%s: %+v", name, d)
		}
		if (c.step < 0) != (d.Step == nil) || d.Step != nil && *d.Step != c.steps[c.step] {
			t.Errorf("%s: step %v", name, d.Step)
		}
		if (c.next == nil) != (d.Next == nil) || d.Next != nil && !d.Next.Equal(*c.next) {
			t.Errorf("%s: next %v", name, d.Next)
		}
	}
}

// A growing percentage only adds hosts, each root has its own order of hosts,
// and a percentage takes about that part of them.
func TestPercent(t *testing.T) {
	const hosts = 2000
	rng := rand.New(rand.NewPCG(1, 2))
	fp, other := root.Fingerprint{1}, root.Fingerprint{2}
	same := 0
	taken := make([]int, 101)
	for range hosts {
		id := fmt.Sprintf("%016x", rng.Uint64())
		in := false
		for percent := 1; percent <= 100; percent++ {
			now := Stage{Percent: percent}.takes(Share("harbour", fp, id))
			if in && !now {
				t.Fatalf("host %s is in at %d percent and out at %d", id, percent-1, percent)
			}
			if in = now; in {
				taken[percent]++
			}
		}
		if !in {
			t.Fatalf("host %s is out at 100 percent", id)
		}
		if (Stage{Percent: 10}).takes(Share("harbour", fp, id)) && (Stage{Percent: 10}).takes(Share("harbour", other, id)) {
			same++
		}
	}
	// Five standard deviations of a binomial of 2000 are below 112.
	for _, percent := range []int{1, 10, 50, 90} {
		if want := hosts * percent / 100; taken[percent] < want-112 || taken[percent] > want+112 {
			t.Errorf("%d percent took %d of %d", percent, taken[percent], hosts)
		}
	}
	if same > hosts/100+50 {
		t.Errorf("%d hosts are first for both roots: they share one order", same)
	}
	if (Stage{}).takes(0) || (Stage{Percent: -1}).takes(0) {
		t.Error("no percentage takes hosts")
	}
	// Computed with another implementation of SHA-256; hosts of all versions
	// must agree.
	if got := Share("harbour", fp, "quay-1"); got != 0xf4442a6abd9e485e {
		t.Errorf("share %#x", got)
	} else if (Stage{Percent: 95}).takes(got) || !(Stage{Percent: 96}).takes(got) {
		t.Error("a place of 0.954 of the line is not between 95 and 96 percent")
	}
}

func TestUnwaived(t *testing.T) {
	findings := []root.Finding{
		{Code: "curve", Severity: root.Refuse, Waivable: true},
		{Code: "go-unloadable", Severity: root.Refuse},
		{Code: "ends-soon", Severity: root.Warn},
		{Code: "expired", Severity: root.Refuse, Waivable: true},
	}
	left := Unwaived(findings, []Waiver{{"curve", "x"}, {"go-unloadable", "x"}, {"ends-soon", "x"}})
	if len(left) != 3 || left[0].Code != "go-unloadable" || left[1].Code != "ends-soon" || left[2].Code != "expired" {
		t.Errorf("%v", left)
	}
}

func TestAHostWithoutIdentityIsInNoPercentage(t *testing.T) {
	s := Stage{Name: "first", Percent: 99}
	if why := s.outside(HostFacts{}, Share("harbour", root.Fingerprint{1}, "")); !strings.Contains(why, "identity") {
		t.Errorf("it is in: %q", why)
	}
	s.Percent = 100
	if why := s.outside(HostFacts{}, Share("harbour", root.Fingerprint{1}, "")); why != "" {
		t.Errorf("it is outside of everybody: %q", why)
	}
}
