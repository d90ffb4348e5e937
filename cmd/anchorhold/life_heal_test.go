package main

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/trust"
)

// faultOf finds a fault of the host's stores by its code.
func (r jsonResult) faultOf(code string) (trust.Fault, bool) {
	for _, s := range r.Stores {
		all := slices.Clone(s.Faults)
		for _, p := range s.Parts {
			all = append(all, p.Faults...)
		}
		for _, f := range all {
			if f.Code == code {
				return f, true
			}
		}
	}
	return trust.Fault{}, false
}

// TestHealing: a satisfied policy, and a store in which others left something
// that the platform never puts right. verify tells, one enforce mends it, the
// next changes nothing.
func TestHealing(t *testing.T) {
	if !onMachine(t) {
		return
	}
	s := newStation(t, "quay")
	s.office(0, "keyset new --policy harbour --threshold 1 quay.pub")
	s.adopt("")
	s.offer(s.sign(1, "quay", "Quay=trusted"))
	s.run(0, "enforce")
	whole, all := read(t, bundleFile), bundle(t)
	hashes := globs(t, linkFolder+"/*.0")

	for code, damage := range map[string]func(){
		"repeated": func() { write(t, bundleFile, whole+whole, 0o644) },
		"half-made-bundle": func() {
			write(t, bundleFile+".new", whole[:len(whole)/3], 0o644)
			old := time.Now().Add(-time.Hour)
			if err := os.Chtimes(bundleFile+".new", old, old); err != nil {
				t.Fatal(err)
			}
		},
		"not-linked": func() { // as a refresh leaves it that died before the rehash
			for i, name := range hashes {
				if to, err := os.Readlink(name); err != nil || i%7 != 0 || strings.HasPrefix(filepath.Base(to), "anchorhold-") {
					continue
				}
				remove(t, name)
			}
		},
	} {
		t.Run(code, func(t *testing.T) {
			s.t = t
			damage()
			r := s.told(1, "verify")
			if f, there := r.faultOf(code); !there || !f.Mend || !r.placement(t, s.print("Quay")).Right {
				t.Errorf("verify tells %+v", f)
			}
			if r := s.told(1, "preview"); len(r.Planned) != 1 {
				t.Errorf("planned %+v", r.Planned)
			}
			r = s.told(0, "enforce")
			if f, there := r.faultOf(code); there || len(r.Changes) != 1 {
				t.Errorf("still %+v, changes %+v", f, r.Changes)
			}
			if lost := missing(all, bundle(t)); len(lost) > 0 || len(bundle(t)) != len(all) {
				t.Errorf("%d in the bundle, lost %q", len(bundle(t)), lost)
			}
			for _, name := range hashes {
				if _, err := os.Stat(name); err != nil {
					t.Errorf("a lookup is missing: %v", err)
				}
			}
			before := tree(t)
			if r := s.told(0, "enforce"); len(r.Changes) != 0 || r.placement(t, s.print("Quay")).Owner != agent.Us {
				t.Errorf("again: %+v", r.Changes)
			}
			before.same(t, tree(t))
		})
	}
}

// TestNeighbours: somebody's half certificate beside ours stays out of what is
// compiled, and is told with account and time; a foreign refresh that takes it
// in is put right by the next run.
func TestNeighbours(t *testing.T) {
	if !onMachine(t) {
		return
	}
	s := newStation(t, "quay")
	s.office(0, "keyset new --policy harbour --threshold 1 quay.pub")
	s.adopt("")
	half := sourceDir + "/tide.crt"
	write(t, half, string(s.root("Tide").PEM()[:300]), 0o644)
	if err := os.Chown(half, nobody, nobody); err != nil {
		t.Fatal(err)
	}
	s.offer(s.sign(1, "quay", "Quay=trusted"))
	told := func(code int, line string) trust.Fault {
		t.Helper()
		f, there := s.told(code, line).faultOf("truncated")
		if !there || f.Path != half || !strings.Contains(f.Whose, "nobody (uid 65534)") || !strings.Contains(f.Whose, "no package's") || f.Harm == "" || !strings.Contains(f.Next, "keeps that out") {
			t.Errorf("%s tells %+v", line, f)
		}
		return f
	}
	told(0, "enforce")
	told(0, "verify")
	says(t, s.run(0, "verify").out, half, "nobody")
	public := open(t, string(s.root("Quay").PEM()))
	if !openssl(t, bundleFile, public) || !gnutls(t, bundleFile, public) {
		t.Error("the neighbour spoilt the bundle")
	}
	tool(t, platform) // a package is upgraded
	if openssl(t, bundleFile, public) {
		t.Log("this platform's refresh keeps such a file out by itself")
		return
	}
	told(1, "verify")
	told(0, "enforce")
	if !openssl(t, bundleFile, public) || !gnutls(t, bundleFile, public) {
		t.Error("not put right")
	}
}
