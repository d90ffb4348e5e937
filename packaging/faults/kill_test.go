//go:build linux

package faults_test

import (
	"fmt"
	"slices"
	"testing"

	"anchorhold.test/anchorhold/trust/trusttest/tracer"
)

// sweep tries the points of one scenario and counts.
type sweep struct {
	*machine
	s      scenario
	fault  string
	g      goal
	every  int             // of how many points one is tried
	healed map[string]bool // states from which the way to the goal was gone already
	found  int
	tried  int
	broken int
}

func (m *machine) sweep(s scenario, pristine tree, fault string, every int) *sweep {
	m.t.Helper()
	if m.sampler == nil {
		m.sampler = startSampler(m.t)
	}
	w := &sweep{machine: m, s: s, fault: fault, g: m.prepare(s, pristine), every: every, healed: map[string]bool{}}
	w.found = len(w.g.calls)
	return w
}

// fail tells what broke at one point; many alike are told once.
func (w *sweep) fail(hit *tracer.Call, format string, args ...any) {
	w.t.Helper()
	if w.broken++; w.broken <= maxTold {
		w.t.Errorf("%s, %s at %s: %s", w.s.name, w.fault, words(hit), fmt.Sprintf(format, args...))
	}
}

// tell prints what was counted.
func (w *sweep) tell(more string) {
	w.t.Helper()
	due := w.found / w.every
	if w.tried < due || due == 0 {
		w.t.Errorf("%s: %d points tried of %d", w.s.name, w.tried, due)
	}
	if w.sampler.samples == 0 && due > 0 {
		w.t.Errorf("%s: nobody looked meanwhile", w.s.name)
	}
	fmt.Printf("counted: scenario=%s fault=%s found=%d tried=%d broken=%d samples=%d states=%d%s\n",
		w.s.name, w.fault, w.found, w.tried, w.broken, w.sampler.samples, len(w.healed), more)
	w.sampler.samples = 0
}

// killAll ends the whole tree before each call that changes something.
func (w *sweep) killAll() {
	const tries = 5 // at a point that a run did not come to, although another one had more
	for n := w.every; ; n += w.every {
		var r tracer.Run
		for range tries {
			w.g.base.restore(w.t, everything...)
			w.sampler.begin(true, w.g.stays...)
			if r = w.trace(tracer.Options{At: n, Do: tracer.Kill}, w.g.args...); r.Hit != nil {
				break
			}
			w.recover(nil)
		}
		if r.Hit == nil {
			if n <= w.found {
				w.fail(nil, "no run came to point %d of %d", n, w.found)
				continue
			}
			break
		}
		w.found = max(w.found, n)
		w.tried++
		w.recover(r.Hit)
	}
}

// recover judges what is there, lets the next run go to the goal, and the one
// after that find nothing to do. The way from a state is gone once: what a run
// does depends on what it finds and on nothing else.
func (w *sweep) recover(hit *tracer.Call) {
	w.t.Helper()
	now := capture(w.t, everything...)
	if err := whole(now, w.g.bundles, w.g.stays); err != nil {
		w.fail(hit, "%v", err)
	}
	if err := truth(now, w.g.torn); err != nil {
		w.fail(hit, "%v", err)
	}
	if key := now.key(); !w.healed[key] {
		w.healed[key] = true
		w.heal(hit)
	}
	for _, f := range w.sampler.end() {
		w.fail(hit, "a reader saw: %s", f)
	}
}

func (w *sweep) heal(hit *tracer.Call) {
	w.t.Helper()
	if e := w.call(installed, w.g.args...); e.code != 0 {
		w.fail(hit, "the next run ends with %d: %s", e.code, e.all())
		return
	}
	then := capture(w.t, everything...)
	if d := w.g.final.below(storePaths...).differs(then.below(storePaths...), false, w.notCompared()...); d != "" {
		w.fail(hit, "after the next run the store is otherwise: %s", d)
	}
	if err := w.g.remembered(true); err != nil {
		w.fail(hit, "after the next run: %v", err)
	}
	if a, b := w.g.final.below(ownPaths...).names(), then.below(ownPaths...).names(); !slices.Equal(a, b) {
		w.fail(hit, "after the next run there is %q, not %q", b, a)
	}
	for _, name := range []string{stateDir + "/policy.jws", stateDir + "/floor.json"} {
		if then[name].text != w.g.final[name].text {
			w.fail(hit, "after the next run %s is otherwise", name)
		}
	}
	if e := w.call(installed, "enforce"); e.code != 0 {
		w.fail(hit, "the run after the next ends with %d: %s", e.code, e.all())
	}
	if d := then.differs(capture(w.t, everything...), true); d != "" {
		w.fail(hit, "the run after the next changed something: %s", d)
	}
}

// notCompared are files whose bytes are not made by us.
func (w *sweep) notCompared() []string { return []string{javaStore} }

// TestKillAtEveryPoint tries all points of every scenario in a small store.
func TestKillAtEveryPoint(t *testing.T) {
	m := onMachine(t, true, false)
	if m == nil {
		return
	}
	pristine := capture(t, everything...)
	for _, s := range scenarios() {
		w := m.sweep(s, pristine, "kill", 1)
		w.killAll()
		w.tell("")
	}
}
