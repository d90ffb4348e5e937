//go:build linux

package faults_test

import (
	"fmt"
	"slices"
	"testing"

	"anchorhold.test/anchorhold/trust/trusttest/tracer"
)

// loseAll replays what an uninjured run wrote onto a disk, and lets the power
// fail after each call. Every tree that can be left is looked at once.
func (w *sweep) loseAll() {
	paths := slices.Concat(storePaths, ownPaths)
	d := newDisk(w.g.base.below(paths...))
	seen := map[string]bool{}
	w.found, w.tried = 0, 0
	try := func(c *tracer.Call) {
		d.lost(func(left tree) {
			if key := left.key(); !seen[key] {
				seen[key] = true
				w.found++
				w.lose(left, c)
			}
		})
	}
	try(nil)
	for i, c := range w.g.calls {
		if d.apply(c) {
			try(&w.g.calls[i])
		}
	}
	if dd := w.g.final.below(storePaths...).differs(d.after(2, func(int) bool { return true }).below(storePaths...), false); dd != "" {
		w.t.Errorf("%s: the replay does not come to what the run made: %s", w.s.name, dd)
	}
	if len(d.late) > 0 {
		w.t.Errorf("%s: %d names are not safe when the run has ended, %s first", w.s.name, len(d.late), d.late[0].name)
	}
	w.tell(fmt.Sprintf(" calls=%d", len(w.g.calls)))
}

func (w *sweep) lose(left tree, c *tracer.Call) {
	for name, n := range w.g.base.below(dpkgPaths...) {
		left[name] = n
	}
	left.restore(w.t, everything...)
	w.tried++
	w.sampler.begin(true, w.g.stays...)
	w.recover(c)
}

// TestPowerLoss drops what was not made safe.
func TestPowerLoss(t *testing.T) {
	m := onMachine(t, true, false)
	if m == nil {
		return
	}
	pristine := capture(t, everything...)
	for _, s := range scenarios() {
		w := m.sweep(s, pristine, "power", 1)
		w.g.torn++
		w.loseAll()
	}
}
