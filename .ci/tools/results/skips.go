package main

import (
	"bytes"
	"fmt"
	"os"
	"sort"
	"strings"
)

// readAllowed reads lines "PACKAGE TEST REASON"; '#' starts a comment line. A
// line without a reason is an error: nobody could tell when it may go.
func readAllowed(file string) (map[name]string, error) {
	allowed := map[name]string{}
	if file == "" {
		return allowed, nil
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("cannot read the allowed skips: %w", err)
	}
	n := 0
	for line := range bytes.Lines(text) {
		n++
		fields := strings.Fields(string(line))
		if len(fields) == 0 || strings.HasPrefix(fields[0], "#") {
			continue
		}
		if len(fields) < 3 {
			return nil, fmt.Errorf("cannot read the allowed skips: %s:%d: want PACKAGE TEST REASON", file, n)
		}
		key := name{fields[0], fields[1]}
		if _, twice := allowed[key]; twice {
			return nil, fmt.Errorf("cannot read the allowed skips: %s:%d: %s stands there twice", file, n, key)
		}
		allowed[key] = strings.Join(fields[2:], " ")
	}
	return allowed, nil
}

// judge gives a line for each thing that makes a run without failures a bad one.
// A test in another package run than this one's can't be told from one that no
// longer skips: give all packages in one run.
func judge(s *summary, allowed map[name]string, strict bool) []string {
	var complaints []string
	if s.passed+s.failed == 0 {
		complaints = append(complaints, "FAIL nothing ran")
	}
	if !strict {
		return complaints
	}
	for n, why := range s.skips {
		if _, ok := allowed[n]; !ok {
			complaints = append(complaints, fmt.Sprintf("FAIL skipped, and not among the allowed skips: %s: %s", n, why))
		}
	}
	for n := range allowed {
		if _, ok := s.skips[n]; !ok {
			complaints = append(complaints, fmt.Sprintf("FAIL among the allowed skips, but it did not skip: %s", n))
		}
	}
	sort.Strings(complaints)
	return complaints
}
