//go:build linux

package faults_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"
)

// Bounds of the overlaps: how many are tried, and how much time they have
// together. What was not reached is seen in the count.
const (
	overlaps      = 240
	overlapBudget = 150 * time.Second
	maxOffset     = 400 * time.Millisecond
	leastOverlaps = 40
)

// neighbour is somebody else who refreshes the store meanwhile.
type neighbour struct {
	name  string
	argvs [][]string
	links bool // it takes no link away on its own
	tears bool // two of them tear the bundle, whatever we do
}

func neighbours() []neighbour {
	plain, fresh := []string{platform}, []string{platform, "--fresh"}
	ours := []string{installed, "enforce"}
	return []neighbour{
		{"plain", [][]string{plain}, true, false},
		{"enforce", [][]string{ours}, true, false},
		{"fresh", [][]string{fresh}, false, false},
		{"enforce+plain", [][]string{ours, plain}, true, false},
		{"two", [][]string{plain, fresh}, false, true},
	}
}

// start runs a program after a while and returns how it ended.
func (m *machine) start(wg *sync.WaitGroup, after time.Duration, argv []string) *ended {
	e := &ended{}
	wg.Go(func() {
		time.Sleep(after)
		c := exec.CommandContext(m.t.Context(), argv[0], argv[1:]...)
		c.Dir, c.Env = "/", bare
		out, err := c.CombinedOutput()
		if e.out = string(out); c.ProcessState == nil {
			e.code, e.err = -1, err.Error()
			return
		}
		e.code = c.ProcessState.ExitCode()
	})
	return e
}

// overlap lets us and neighbours loose at once, and reports whether one more
// run was needed to come to the goal.
func (w *sweep) overlap(n neighbour) (mended bool) {
	w.t.Helper()
	w.g.base.restore(w.t, everything...)
	if !n.tears {
		w.sampler.begin(n.links, w.g.stays...)
	}
	var wg sync.WaitGroup
	us := w.start(&wg, rand.N(maxOffset), append([]string{installed}, w.g.args...))
	var others []*ended
	for _, argv := range n.argvs {
		others = append(others, w.start(&wg, rand.N(maxOffset), argv))
	}
	wg.Wait()
	if us.code != 0 && us.code != 1 || us.code == 1 && !strings.Contains(us.out, "why") {
		w.fail(nil, "beside %s ours ends with %d: %s", n.name, us.code, us.out)
	}
	for i, argv := range n.argvs {
		if argv[0] == installed && others[i].code != 0 && others[i].code != 1 {
			w.fail(nil, "beside ours the second ends with %d: %s", others[i].code, others[i].all())
		}
	}
	if !n.tears {
		for _, f := range w.sampler.end() {
			w.fail(nil, "beside %s a reader saw: %s", n.name, f)
		}
	}
	now := capture(w.t, everything...)
	if err := truth(now, w.g.torn); err != nil {
		w.fail(nil, "beside %s: %v", n.name, err)
	}
	mended = w.g.final.below(storePaths...).differs(now.below(storePaths...), false, w.notCompared()...) != ""
	w.settle(n.name)
	return mended
}

// settle wants the store whole after one cycle of ours.
func (w *sweep) settle(beside string) {
	w.t.Helper()
	e := w.call(installed, w.g.args...)
	now := capture(w.t, everything...)
	if e.code != 0 {
		w.fail(nil, "beside %s the next run ends with %d: %s", beside, e.code, e.all())
	}
	if d := w.g.final.below(storePaths...).differs(now.below(storePaths...), false, w.notCompared()...); d != "" {
		w.fail(nil, "beside %s the store is otherwise after the next run: %s", beside, d)
	}
	if err := w.g.remembered(false); err != nil {
		w.fail(nil, "beside %s, after the next run: %v", beside, err)
	}
}

// TestOverlaps runs us beside others at random offsets. One other refresh must
// never cost a reader a root in the bundle; two tear the store themselves, and
// one cycle of ours makes it whole.
func TestOverlaps(t *testing.T) {
	m := onMachine(t, true, false)
	if m == nil {
		return
	}
	pristine := capture(t, everything...)
	w := m.sweep(scenarios()[2], pristine, "overlap", 1)
	w.g.torn++
	kinds, counts, mended := neighbours(), map[string]int{}, 0
	end := time.Now().Add(overlapBudget)
	for i := 0; i < overlaps && (time.Now().Before(end) || i < leastOverlaps); i++ {
		n := kinds[i%len(kinds)]
		w.tried++
		counts[n.name]++
		if w.overlap(n) {
			mended++
		}
	}
	w.found = w.tried
	w.tell(fmt.Sprintf(" overlaps=%d of=%d mended=%d kinds=%v", w.tried, overlaps, mended, counts))
}

// packageRuns is how often a package manager configures its package meanwhile.
const packageRuns = 9 // of three kinds

// upgradeTakes is how long dpkg is at an upgrade here, seen and rounded.
const upgradeTakes = 9 * time.Second

// TestPackageAtWork has dpkg reconfigure ca-certificates, run its trigger, and
// upgrade it, with the vendor's real set and Java. The newer package is made of
// the installed one, so that this works without a network.
func TestPackageAtWork(t *testing.T) {
	m := onMachine(t, false, true)
	if m == nil {
		return
	}
	for _, name := range []string{"dpkg-reconfigure", "dpkg-trigger"} {
		if _, err := os.Stat("/usr/sbin/" + name); err == nil {
			continue
		}
		if _, err := os.Stat("/usr/bin/" + name); err != nil {
			t.Fatalf("%s is not there", name)
		}
	}
	pristine := capture(t, everything...)
	w := m.sweep(scenarios()[2], pristine, "package", 1)
	want := inJava(t)
	const newer = "/var/tmp/newer.deb"
	if out, err := exec.Command("/bin/sh", "newer.sh", newer).CombinedOutput(); err != nil {
		t.Fatalf("cannot make a newer package: %v\n%s", err, out)
	}
	for i := range packageRuns {
		w.tried++
		w.g.base.restore(t, everything...)
		w.sampler.begin(false, w.g.stays...) // its refresh takes links away on its own
		var wg sync.WaitGroup
		argv := []string{"/usr/sbin/dpkg-reconfigure", "-f", "noninteractive", "ca-certificates"}
		span := 2 * maxOffset
		switch i % 3 {
		case 1:
			argv = []string{"/bin/sh", "-c", "dpkg-trigger --no-await --by-package=ca-certificates update-ca-certificates-fresh; dpkg --triggers-only ca-certificates"}
		case 2:
			argv, span = []string{"/usr/bin/dpkg", "-i", newer}, upgradeTakes
		}
		other := w.start(&wg, rand.N(maxOffset), argv)
		us := w.start(&wg, rand.N(span), append([]string{installed}, w.g.args...))
		wg.Wait()
		if other.code != 0 {
			w.fail(nil, "the package manager ends with %d: %s", other.code, other.all())
		}
		if us.code != 0 && us.code != 1 {
			w.fail(nil, "beside it ours ends with %d: %s", us.code, us.all())
		}
		for _, f := range w.sampler.end() {
			w.fail(nil, "a reader saw: %s", f)
		}
		w.settle("the package manager")
		if now := inJava(t); now != want {
			w.fail(nil, "Java's store is otherwise: %s", now)
		}
	}
	w.found = w.tried
	w.tell("")
}
