package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Events as go1.26 writes them, shortened.
const (
	passes = `{"Action":"start","Package":"p"}
{"Action":"run","Package":"p","Test":"TestA"}
{"Action":"output","Package":"p","Test":"TestA","Output":"=== RUN   TestA\n"}
{"Action":"pass","Package":"p","Test":"TestA","Elapsed":0}
{"Action":"pass","Package":"p","Elapsed":0.1}
`
	skips = `{"Action":"output","Package":"p","Test":"TestB","Output":"    b_test.go:9: not root: no\n"}
{"Action":"skip","Package":"p","Test":"TestB","Elapsed":0}
`
	fails = `{"Action":"output","Package":"p","Test":"TestC","Output":"    c_test.go:3: got 1\n"}
{"Action":"fail","Package":"p","Test":"TestC","Elapsed":0}
{"Action":"fail","Package":"p","Elapsed":0.1}
`
	noBuild = `{"ImportPath":"p [p.test]","Action":"build-output","Output":"p.go:1:1: undefined: x\n"}
{"ImportPath":"p [p.test]","Action":"build-fail"}
{"Action":"fail","Package":"p","Elapsed":0,"FailedBuild":"p [p.test]"}
`
	panics = `{"Action":"run","Package":"p","Test":"TestD"}
{"Action":"output","Package":"p","Output":"panic: test timed out after 1s\n"}
{"Action":"fail","Package":"p","Elapsed":1}
`
	counted2 = `{"Action":"output","Package":"p","Test":"TestA","Output":"counted: store fault=kill found=12 tried=12 broken=0 samples=40\n"}
{"Action":"output","Package":"p","Test":"TestA","Output":"        counted: store fault=errno found=3 tried=3 broken=1 samples=2\n"}
`
	noTests = `{"Action":"output","Package":"q","Output":"?   q [no test files]\n"}
{"Action":"skip","Package":"q","Elapsed":0}
`
)

func TestRun(t *testing.T) {
	for _, c := range []struct {
		what, events, allow string
		strict              bool
		exit                string
		want                int
		says                []string
	}{
		{what: "passes", events: passes + noTests, says: []string{"ok   p (1 passed", "1 passed, 0 failed, 0 skipped\n"}},
		{what: "counts", events: counted2 + passes, says: []string{"\ncounted: store fault=errno", "counted in all: found=15 tried=15 broken=1 overlaps=0 samples=42\n1 passed"}},
		{what: "nothing ran", events: noTests, want: 1, says: []string{"nothing ran"}},
		{what: "no event at all", want: 1, says: []string{"nothing ran"}},
		{what: "fails", events: passes + fails, exit: "1", want: 1, says: []string{"FAIL p TestC", "got 1", "1 passed, 1 failed, 0 skipped\n"}},
		{what: "does not build", events: passes + noBuild, exit: "1", want: 1, says: []string{"undefined: x", "1 passed, 1 failed"}},
		{what: "runs out of time", events: passes + panics, exit: "1", want: 1, says: []string{"timed out", "1 passed, 1 failed"}},
		{what: "a status that no event explains", events: passes, exit: "3", want: 1},
		{what: "skip, loose", events: passes + skips, says: []string{"1 passed, 0 failed, 1 skipped\n"}},
		{what: "skip, strict", events: passes + skips, strict: true, want: 1, says: []string{"p TestB: not root: no"}},
		{what: "skip, strict, allowed", events: passes + skips, strict: true, allow: "# why\np TestB needs a desktop\n"},
		{what: "allowed, no skip", events: passes, strict: true, allow: "p TestB needs a desktop\n", want: 1, says: []string{"did not skip: p TestB"}},
		{what: "allowed, no skip, loose", events: passes, allow: "p TestB needs a desktop\n"},
		{what: "allowed without reason", events: passes, allow: "p TestB\n", want: 2},
		{what: "allowed twice", events: passes, allow: "p TestB x\np TestB y\n", want: 2},
	} {
		t.Run(c.what, func(t *testing.T) {
			dir := t.TempDir()
			events, allow := filepath.Join(dir, "events"), filepath.Join(dir, "allow")
			write(t, events, c.events)
			write(t, allow, c.allow)
			args := []string{"-allow", allow}
			if c.strict {
				args = append(args, "-strict")
			}
			args = append(args, "--", "sh", "-c", `cat "$0"; exit "${1:-0}"`, events, c.exit)
			var out, errs bytes.Buffer
			if got := run(args, &out, &errs); got != c.want {
				t.Errorf("status %d, want %d\n%s%s", got, c.want, &out, &errs)
			}
			for _, s := range c.says {
				if !strings.Contains(out.String(), s) {
					t.Errorf("%q is missing in\n%s", s, &out)
				}
			}
		})
	}
}

func write(t *testing.T, file, text string) {
	t.Helper()
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}
