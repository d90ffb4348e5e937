package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"strings"
)

// event is a line of `go test -json` (`go doc test2json`, `go help buildjson`).
type event struct {
	Action      string
	Package     string
	Test        string
	Output      string
	Elapsed     float64
	ImportPath  string // build events only
	FailedBuild string
}

// name is one test or subtest of one package.
type name struct{ pkg, test string }

func (n name) String() string { return n.pkg + " " + n.test }

type summary struct {
	passed, failed int
	skips          map[name]string // with the reason that the test gave
	output         map[name]*strings.Builder
	builds         map[string]*strings.Builder
	pkgs           map[string]*tally
	counts         counts
}

type tally struct{ passed, failed, skipped int }

// read takes events to the end of r and writes what a person wants to know to w.
func read(r io.Reader, w io.Writer) (*summary, error) {
	s := &summary{
		skips:  map[name]string{},
		output: map[name]*strings.Builder{},
		builds: map[string]*strings.Builder{},
		pkgs:   map[string]*tally{},
	}
	lines := bufio.NewReader(r)
	for {
		line, err := lines.ReadBytes('\n')
		if len(line) > 0 {
			var e event
			if json.Unmarshal(line, &e) != nil || e.Action == "" {
				w.Write(line)
			} else {
				s.take(e, w)
			}
		}
		if err == io.EOF {
			return s, nil
		}
		if err != nil {
			return s, fmt.Errorf("cannot read the events: %w", err)
		}
	}
}

func (s *summary) take(e event, w io.Writer) {
	switch {
	case e.Action == "build-output":
		at(s.builds, e.ImportPath).WriteString(e.Output)
	case e.Action == "output":
		s.counts.take(e.Output, w)
		at(s.output, name{e.Package, e.Test}).WriteString(e.Output)
	case e.Test == "":
		s.endPackage(e, w)
	default:
		s.endTest(e, w)
	}
}

func (s *summary) endTest(e event, w io.Writer) {
	n := name{e.Package, e.Test}
	if s.pkgs[e.Package] == nil {
		s.pkgs[e.Package] = &tally{}
	}
	t := s.pkgs[e.Package]
	switch e.Action {
	case "pass":
		s.passed++
		t.passed++
	case "skip":
		s.skips[n] = reason(at(s.output, n).String())
		t.skipped++
	case "fail":
		s.failed++
		t.failed++
		fmt.Fprintf(w, "FAIL %s\n%s", n, indent(at(s.output, n).String()))
	default: // run, pause, cont, bench, start, attr
		return
	}
	delete(s.output, n)
}

// endPackage tells a package's outcome. One that failed without a failed test
// (it didn't build, it panicked or ran out of time) counts as one failure.
func (s *summary) endPackage(e event, w io.Writer) {
	t := s.pkgs[e.Package]
	if t == nil {
		t = &tally{}
	}
	switch e.Action {
	case "pass":
		fmt.Fprintf(w, "ok   %s (%d passed, %d skipped) %.1fs\n", e.Package, t.passed, t.skipped, e.Elapsed)
	case "fail":
		if t.failed == 0 {
			s.failed++
			fmt.Fprintf(w, "FAIL %s\n%s", e.Package, indent(s.words(e)))
		}
		fmt.Fprintf(w, "FAIL %s (%d passed, %d failed, %d skipped) %.1fs\n", e.Package, t.passed, t.failed, t.skipped, e.Elapsed)
	}
}

// words are all that a package without a failed test said: what the compiler
// or its unfinished tests wrote.
func (s *summary) words(e event) string {
	var all strings.Builder
	if b := s.builds[e.FailedBuild]; b != nil {
		all.WriteString(b.String())
	}
	for n, b := range s.output {
		if n.pkg == e.Package {
			all.WriteString(b.String())
		}
	}
	return all.String()
}

// reason is what a test said before it skipped: the line "file.go:1: reason".
func reason(output string) string {
	for line := range strings.Lines(output) {
		line = strings.TrimSpace(line)
		if _, why, found := strings.Cut(line, ".go:"); found {
			_, why, _ = strings.Cut(why, ": ")
			return why
		}
	}
	return "no reason given"
}

func at[K comparable](m map[K]*strings.Builder, key K) *strings.Builder {
	if m[key] == nil {
		m[key] = &strings.Builder{}
	}
	return m[key]
}

func indent(text string) string {
	var out strings.Builder
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "=== ") {
			continue
		}
		out.WriteString("    " + strings.TrimSuffix(line, "\n") + "\n")
	}
	return out.String()
}
