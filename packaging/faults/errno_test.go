//go:build linux

package faults_test

import (
	"fmt"
	"slices"
	"strings"
	"syscall"
	"testing"

	"anchorhold.test/anchorhold/trust/trusttest/tracer"
)

// errnos are what a machine in trouble answers. A full disk and one that can
// only be read stay so for the rest of the run; the others happen once.
var errnos = []struct {
	syscall.Errno
	name   string
	onward bool
}{
	{syscall.ENOSPC, "ENOSPC", true},
	{syscall.EROFS, "EROFS", true},
	{syscall.EIO, "EIO", false},
	{syscall.EMFILE, "EMFILE", false},
}

// answers are the faults that are tried at one call: each that a kernel could
// give. Where the platform's tool makes the call, or where it is in the stage,
// one is enough, in turn: all of them end in the same few lines of ours.
func answers(c *tracer.Call) []int {
	var all []int
	for i, e := range errnos {
		if tracer.Plausible(c, e.Errno) {
			all = append(all, i)
		}
	}
	if c.Program != "anchorhold" || strings.HasPrefix(c.Path, stateDir+"/stage") {
		all = all[c.N%len(all):][:1]
	}
	return all
}

// failAll lets each call fail, once or from then on.
func (w *sweep) failAll() {
	w.found = 0
	codes := map[int]int{}
	for i := w.every - 1; i < len(w.g.calls); i += w.every {
		for _, e := range answers(&w.g.calls[i]) {
			w.found++
			w.failOne(i+1, e, codes)
		}
	}
	w.every, w.fault = 1, "errno"
	w.tell(fmt.Sprintf(" calls=%d ended0=%d ended1=%d ended2=%d", len(w.g.calls), codes[0], codes[1], codes[2]))
}

func (w *sweep) failOne(n, e int, codes map[int]int) {
	w.t.Helper()
	w.g.base.restore(w.t, everything...)
	w.sampler.begin(true, w.g.stays...)
	w.fault = errnos[e].name
	r := w.trace(tracer.Options{At: n, Do: tracer.Fail, Errno: errnos[e].Errno, Onward: errnos[e].onward}, w.g.args...)
	if r.Hit == nil { // fewer calls than the longest run: nothing was hurt
		w.found--
		w.recover(nil)
		return
	}
	w.tried++
	codes[r.Code]++
	said := string(r.Out) + string(r.Err)
	switch {
	case r.Code == 0:
		now := capture(w.t, storePaths...)
		if d := w.g.final.below(storePaths...).differs(now, false); d != "" {
			w.fail(r.Hit, "it ends with 0, and the store is otherwise: %s", d)
		}
	case r.Code != 1 && r.Code != 2:
		w.fail(r.Hit, "it ends with %d, %v: %s", r.Code, r.Signal, said)
	case r.Hit.Program == "anchorhold" && !tells(said, r.Hit, errnos[e].Errno, errnos[e].onward):
		w.fail(r.Hit, "it ends with %d and does not tell why: %s", r.Code, said)
	case r.Hit.Program != "anchorhold" && !strings.Contains(said, "/"):
		w.fail(r.Hit, "it ends with %d and names no path: %s", r.Code, said)
	}
	w.recover(r.Hit)
}

// tells reports whether a message names the cause and a path near the call's.
// Where everything fails from then on it may be the path of a later call.
func tells(said string, c *tracer.Call, errno syscall.Errno, onward bool) bool {
	if !strings.Contains(strings.ToLower(said), strings.ToLower(errno.Error())) {
		return false
	}
	if onward {
		return strings.Contains(said, "/var/lib") || strings.Contains(said, certsDir) || strings.Contains(said, localDir)
	}
	return slices.ContainsFunc([]string{c.Path, c.To}, func(p string) bool {
		for ; len(p) >= len("/etc"); p = p[:strings.LastIndexByte(p, '/')] {
			if strings.Contains(said, p) {
				return true
			}
		}
		return false
	})
}

// TestErrnoAtEveryPoint lets every call of every scenario fail in a small
// store.
func TestErrnoAtEveryPoint(t *testing.T) {
	m := onMachine(t, true, false)
	if m == nil {
		return
	}
	pristine := capture(t, everything...)
	for _, s := range scenarios() {
		m.sweep(s, pristine, "errno", 1).failAll()
	}
}

// termAll asks us, and then whoever makes the call, to end at every call.
func (w *sweep) termAll() {
	due := 0
	for i := w.every - 1; i < len(w.g.calls); i += w.every {
		for _, do := range []tracer.Action{tracer.Terminate, tracer.TermGroup} {
			due++
			w.g.base.restore(w.t, everything...)
			w.sampler.begin(true, w.g.stays...)
			r := w.trace(tracer.Options{At: i + 1, Do: do}, w.g.args...)
			if r.Hit == nil {
				due--
			} else {
				w.tried++
			}
			w.recover(r.Hit)
		}
	}
	w.found, w.every = due, 1
	w.tell(fmt.Sprintf(" calls=%d", len(w.g.calls)))
}

// TestTermAtPoints asks the agent and its tool to end. The tool's own process
// group is another one than ours.
func TestTermAtPoints(t *testing.T) {
	m := onMachine(t, true, false)
	if m == nil {
		return
	}
	pristine := capture(t, everything...)
	const every = 4
	for _, s := range scenarios() {
		if s.name == "place" || s.name == "withdraw" || s.name == "block" {
			m.sweep(s, pristine, "term", every).termAll()
		}
	}
}
