//go:build linux

package faults_test

import (
	"encoding/hex"
	"fmt"
	"os"
	"slices"
	"sort"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest/tracer"
)

// javaEvery is of how many points one is tried where dpkg and Java's tool are
// ended too: they make a thousand small writes that are all alike.
const javaEvery = 60

// telling are the points at which something else is left behind than before
// and after: Java's store emptied, begun, without its end; and each name that
// dpkg replaces.
func telling(calls []tracer.Call) []int {
	var all []int
	last := 0
	for i, c := range calls {
		switch {
		case c.N%javaEvery == 0:
			all = append(all, c.N)
		case c.Path == javaStore && c.Kind == tracer.Open:
			all = append(all, c.N+1, c.N+2)
		case c.Path == javaStore:
			last = i + 1
		case c.Program == "dpkg" && c.Kind == tracer.Rename:
			all = append(all, c.N+1)
		}
	}
	if last > 0 {
		all = append(all, last, last+1)
	}
	sort.Ints(all)
	return slices.Compact(all)
}

// inJava are the roots in Java's store, by alias.
func inJava(t *testing.T) string {
	t.Helper()
	data, err := os.ReadFile(javaStore)
	if err != nil {
		t.Fatal(err)
	}
	blocks, faults := root.Scan(data)
	var all []string
	for _, f := range faults {
		all = append(all, f.Code+" "+f.What)
	}
	for _, b := range blocks {
		all = append(all, b.Alias+" "+hex.EncodeToString(b.Fingerprint[:4]))
	}
	sort.Strings(all)
	return strings.Join(all, ", ")
}

// TestKillWithJava ends the platform's own hook as well, as a power switch
// would: dpkg, and Java's tool, which writes its store in place. That one is
// whole again after the next run.
func TestKillWithJava(t *testing.T) {
	m := onMachine(t, true, true)
	if m == nil {
		return
	}
	m.run("rm", "-f", javaStore, "/var/log/dpkg.log")
	m.run(platform, "--fresh")
	pristine := capture(t, everything...)
	for _, s := range scenarios() {
		if s.name != "place" && s.name != "withdraw" {
			continue
		}
		w := m.sweep(s, pristine, "kill+java", 1)
		want := inJava(t)
		if n := strings.Count(want, ","); n < smallSet {
			t.Fatalf("Java's store has %s", want)
		}
		points := telling(w.g.calls)
		calls := len(w.g.calls)
		for _, n := range points {
			w.g.base.restore(t, everything...)
			w.sampler.begin(true, w.g.stays...)
			r := w.trace(tracer.Options{At: n, Do: tracer.Kill}, w.g.args...)
			if r.Hit != nil || n == calls+1 {
				w.tried++
			}
			clear(w.healed) // dpkg's own state is not in a key
			w.recover(r.Hit)
			if now := inJava(t); now != want {
				w.fail(r.Hit, "Java's store is otherwise after the next run: %s", now)
			}
			if e := w.call("dpkg", "--audit"); e.all() != "" {
				w.fail(r.Hit, "dpkg complains: %s", e.all())
			}
		}
		w.found = len(points)
		w.tell(fmt.Sprintf(" calls=%d", calls))
	}
}
