//go:build linux

package faults_test

import (
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust/trusttest/tracer"
)

// scenario is one run of 'enforce' that has something to do.
type scenario struct {
	name    string
	args    []string
	before  func(m *machine, f *fleet) // what is in force and carried out
	now     func(m *machine, f *fleet) // what is asked then
	died    bool                       // an earlier run died in the middle of it
	leaving func(f *fleet) []authority // of the roots that were there before
}

// fleet is the roots that the scenarios are about.
type fleet struct{ pier, quay, vendor authority }

func (f *fleet) placed(r ...authority) []standing {
	var all []standing
	for _, a := range r {
		all = append(all, standing{a, "trusted"})
	}
	return all
}

// scenarios are all that a host does with a policy.
func scenarios() []scenario {
	pier := func(m *machine, f *fleet) { m.sign(f.placed(f.pier)...) }
	both := func(m *machine, f *fleet) { m.sign(f.placed(f.pier, f.quay)...) }
	force := []string{"--force", "nothing needs it"}
	return []scenario{
		{name: "first", now: pier},
		{name: "version", before: pier, now: pier},
		{name: "place", before: pier, now: both},
		{name: "withdraw", args: force, before: both,
			now:     func(m *machine, f *fleet) { m.sign(standing{f.pier, "trusted"}, standing{f.quay, "retired"}) },
			leaving: func(f *fleet) []authority { return []authority{f.quay} }},
		{name: "block", before: pier,
			now:     func(m *machine, f *fleet) { m.sign(standing{f.pier, "trusted"}, standing{f.vendor, "distrusted"}) },
			leaving: func(f *fleet) []authority { return []authority{f.vendor} }},
		{name: "ledger", args: force, before: pier,
			now:     func(m *machine, f *fleet) { m.sign(standing{f.quay, "trusted"}, standing{f.pier, "retired"}) },
			died:    true,
			leaving: func(f *fleet) []authority { return []authority{f.pier} }},
	}
}

// goal is what an uninjured run makes of a scenario.
type goal struct {
	base, final tree
	calls       []tracer.Call
	bundles     map[string]bool // every bundle on the way
	before      []authority     // roots in the store before
	stays       []authority
	ledger      told
	args        []string
	torn        int // lines of the history that cannot be read
}

// prepare makes the machine as a scenario begins, and runs it uninjured, more
// than once: threads and children may come in another order, so that the count
// differs, and the largest one is what has to be tried.
func (m *machine) prepare(s scenario, pristine tree) goal {
	m.t.Helper()
	pristine.restore(m.t, everything...)
	f := &fleet{pier: m.found("pier"), quay: m.found("quay"), vendor: m.vendors[2]}
	m.must(0, "adopt", m.path("starter.toml"))
	g := goal{args: append([]string{"enforce"}, s.args...), before: slices.Clone(m.vendors), bundles: map[string]bool{}}
	if s.before != nil {
		s.before(m, f)
		m.must(0, "enforce")
		g.before = append(g.before, f.pier)
		if strings.Contains(m.read(bundle), strings.TrimSpace(f.quay.pem)) {
			g.before = append(g.before, f.quay)
		}
	}
	s.now(m, f)
	if s.died {
		g.torn = 1
		g.base = capture(m.t, everything...)
		m.interrupt(g)
	}
	g.base = capture(m.t, everything...)
	g.stays = slices.DeleteFunc(slices.Clone(g.before), func(a authority) bool {
		return s.leaving != nil && slices.ContainsFunc(s.leaving(f), func(l authority) bool { return l.sha == a.sha })
	})
	for range uninjured {
		g.base.restore(m.t, everything...)
		m.observe(&g)
	}
	if n := len(g.bundles); n > 2 {
		m.t.Errorf("%s: %d different bundles were live in one run", s.name, n)
	}
	return g
}

// uninjured is how often a scenario is run to count its points.
const uninjured = 3

// observe runs a scenario to its end and takes down what there was.
func (m *machine) observe(g *goal) {
	m.t.Helper()
	last := m.read(bundle)
	g.bundles[last] = true
	r := m.trace(tracer.Options{Log: true, Each: func(*tracer.Call) {
		if now := m.read(bundle); now != last {
			last, g.bundles[now] = now, true
		}
	}}, g.args...)
	if r.Code != 0 {
		m.t.Fatalf("uninjured it ends with %d\n%s%s", r.Code, r.Out, r.Err)
	}
	if len(r.Calls) > len(g.calls) {
		g.calls = r.Calls
	}
	var err error
	if g.ledger, err = readLedger(); err != nil {
		m.t.Fatal(err)
	}
	g.final = capture(m.t, everything...)
	g.bundles[g.final[bundle].text] = true
	for b := range maps.Keys(g.bundles) {
		held, err := count([]byte(b))
		if err != nil {
			m.t.Error(err)
		}
		for _, r := range g.stays {
			if held[r.sha] != 1 {
				m.t.Errorf("%s stands %d times in a bundle", r.label, held[r.sha])
			}
		}
	}
}

// interrupt lets a run die when the ledger has the change and the store has
// not, with the last line of the history torn.
func (m *machine) interrupt(g goal) {
	m.t.Helper()
	first := 0
	r := m.trace(tracer.Options{Each: func(c *tracer.Call) {
		if first == 0 && filepath.Dir(c.Path) == localDir {
			first = c.N
		}
	}}, g.args...)
	if first == 0 || r.Code != 0 {
		m.t.Fatalf("exit %d; %d calls, the store's at %d\n%s", r.Code, len(r.Calls), first, r.Err)
	}
	g.base.restore(m.t, everything...)
	m.trace(tracer.Options{At: first, Do: tracer.Kill}, g.args...)
	history := stateDir + "/history.jsonl"
	m.write(history, m.read(history)+`{"time":"20`)
	l, err := readLedger()
	if err != nil || len(l.Pending()) == 0 {
		m.t.Fatalf("nothing is under way after a death at %d: %v", first, err)
	}
}

// words tells a call in one line.
func words(c *tracer.Call) string {
	if c == nil {
		return "no call"
	}
	return fmt.Sprintf("%d (%s: %s %s %s)", c.N, c.Program, c.Name, c.Path, c.To)
}
