//go:build linux

package faults_test

import (
	"fmt"
	"testing"
)

// realEvery is of how many points one is tried with the vendor's whole set.
const realEvery = 10

// TestKillInTheRealSet tries every tenth point with all roots of the vendor and
// every reader of this machine asked. Not every scenario: they take the same
// ways through the store.
func TestKillInTheRealSet(t *testing.T) {
	m := onMachine(t, false, false)
	if m == nil {
		return
	}
	pristine := capture(t, everything...)
	for _, s := range scenarios() {
		if s.name != "place" && s.name != "block" {
			continue
		}
		w := m.sweep(s, pristine, "kill", realEvery)
		w.killAll()
		w.tell(fmt.Sprintf(" roots=%d every=%d", len(m.vendors), realEvery))
	}
}
