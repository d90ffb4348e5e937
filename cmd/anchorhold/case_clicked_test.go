package main

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// c23Seen is what was seen on one Windows: the three sentences are about it.
var c23Seen struct {
	sync.Once
	whole         bool
	before, after jsonPlacement
	proofs        [2]trust.Proof // by another process: placed, and with the user's copy alone
	user          [2]string      // the user's store before and after
	machine       string
}

// c23Watch goes through the case: imported by an ordinary user's own hand, then
// placed.
func c23Watch(t *testing.T, dir string) {
	t.Helper()
	s := &c23Seen
	s.Do(func() {
		h := onWindows(t)
		h.believe()
		der := []byte(read(t, filepath.Join(dir, "root.cer")))
		for _, name := range []string{"root.cer", "user-store.reg"} {
			write(t, h.path(name), read(t, filepath.Join(dir, name)), 0o644)
		}
		if r := h.w.Run(h.desk, "regedit", "/S", "user-store.reg"); r.Code != 0 {
			t.Fatalf("regedit: %d", r.Code)
		}
		fp := prints(t, dir)[0]
		h.sign("1", fmt.Sprintf("[[root]]\nlabel = \"clicked\"\nsha256 = %q\nfile = \"root.cer\"\nstanding = \"trusted\"\n", fp))
		s.before = h.told(1, "verify").placement(t, fp)
		s.user[0] = h.registry(userRoots)
		s.after = h.told(0, "enforce").placement(t, fp)
		s.user[1], s.machine = h.registry(userRoots), h.registry(machineRoots)
		s.proofs[0] = h.ask(der)
		h.w.Run("/", "reg", "delete", machineRoots+`\`+thumbprint(der), "/f")
		s.proofs[1] = h.ask(der)
		s.whole = true
	})
	if !s.whole {
		t.Fatal("the case did not go through")
	}
}

// ask has a process of its own prove that a root is placed.
func (h *wined) ask(der []byte) trust.Proof {
	h.Helper()
	claim := trust.Claim{Store: trust.Machine, Root: trust.Root{Fingerprint: root.Of(der), DER: der}, At: time.Now(),
		Parts: []trust.Part{{Name: trust.PlatformPart, Kind: trust.Compiled, Path: `LocalMachine\Root`, Present: true}}}
	question, err := json.Marshal([]trust.Claim{claim})
	if err != nil {
		h.Fatal(err)
	}
	r := h.w.With(question, h.desk, h.exe, "answer-claims", "somebody")
	var proofs []trust.Proof
	if err := json.Unmarshal(r.Stdout, &proofs); err != nil || len(proofs) != 1 {
		h.Fatalf("%v\n%s%s", err, r.Stdout, r.Stderr)
	}
	return proofs[0]
}

func c23UserOnly(t *testing.T, dir string) {
	c23Watch(t, dir)
	c23Seen.before.expect(t, "user-only", false, "")
	if der := []byte(read(t, filepath.Join(dir, "root.cer"))); !strings.Contains(c23Seen.user[0], thumbprint(der)) {
		t.Error("the user's store never held it")
	}
}

func c23Placed(t *testing.T, dir string) {
	c23Watch(t, dir)
	c23Seen.after.expect(t, "placed", true, agent.Us)
	if der := []byte(read(t, filepath.Join(dir, "root.cer"))); !strings.Contains(c23Seen.machine, thumbprint(der)) {
		t.Error("the machine's part of the registry does not hold it")
	}
	if !c23Seen.proofs[0].Holds || c23Seen.proofs[1].Holds {
		t.Errorf("proven by the machine's copy: %+v; by the user's alone: %+v", c23Seen.proofs[0], c23Seen.proofs[1])
	}
}

func c23Stray(t *testing.T, dir string) {
	c23Watch(t, dir)
	if !strings.Contains(strings.Join(c23Seen.after.Notes, "\n"), "stray: it lies in one account's own store") {
		t.Errorf("%q", c23Seen.after.Notes)
	}
	if c23Seen.user[0] != c23Seen.user[1] {
		t.Error("the user's store was changed")
	}
}
