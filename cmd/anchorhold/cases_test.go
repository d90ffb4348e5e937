package main

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"anchorhold.test/anchorhold/testdata"
)

// expectation checks one sentence of a case's EXPECT.txt. dir is the case's own
// folder, which all tests share: copy what is to be changed.
type expectation func(t *testing.T, dir string)

func TestCases(t *testing.T) {
	dir := testdata.Cases(t)
	sentences := readExpectations(t, dir)
	for _, complaint := range judgeRegistry(sentences, cases, later) {
		t.Error(complaint)
	}
	for _, name := range slices.Sorted(maps.Keys(sentences)) {
		t.Run(name, func(t *testing.T) {
			if why, ok := later[name]; ok {
				t.Skip("waits for " + why)
			}
			for i, expect := range cases[name] {
				t.Run(fmt.Sprint(i+1), func(t *testing.T) {
					if i < len(sentences[name]) {
						t.Log(sentences[name][i])
					}
					expect(t, filepath.Join(dir, name))
				})
			}
		})
	}
}

// judgeRegistry says where the table and the folder of cases disagree.
func judgeRegistry(sentences map[string][]string, cases map[string][]expectation, later map[string]string) []string {
	var complaints []string
	say := func(format string, args ...any) { complaints = append(complaints, fmt.Sprintf(format, args...)) }
	for name, want := range sentences {
		done, isDone := cases[name]
		_, isLater := later[name]
		switch {
		case isDone && isLater:
			say("%s: asserted and put off at once", name)
		case !isDone && !isLater:
			say("%s: neither asserted nor put off", name)
		case isDone && len(done) != len(want):
			say("%s: %d sentences, %d expectations", name, len(want), len(done))
		case isDone && slices.ContainsFunc(done, func(e expectation) bool { return e == nil }):
			say("%s: a sentence without its expectation", name)
		case isLater && later[name] == "":
			say("%s: put off without a reason", name)
		}
	}
	for _, name := range slices.Concat(slices.Collect(maps.Keys(cases)), slices.Collect(maps.Keys(later))) {
		if _, ok := sentences[name]; !ok {
			say("%s: no such case", name)
		}
	}
	slices.Sort(complaints)
	return complaints
}

func TestRegistryBites(t *testing.T) {
	fine := func(*testing.T, string) {}
	sentences := map[string][]string{"C01": {"One.", "Two."}}
	good := map[string][]expectation{"C01": {fine, fine}}
	if got := judgeRegistry(sentences, good, nil); len(got) != 0 {
		t.Errorf("whole: %q", got)
	}
	if got := judgeRegistry(sentences, nil, map[string]string{"C01": "why"}); len(got) != 0 {
		t.Errorf("put off: %q", got)
	}
	for what, c := range map[string]struct {
		cases map[string][]expectation
		later map[string]string
	}{
		"nothing said":     {},
		"one too few":      {cases: map[string][]expectation{"C01": {fine}}},
		"one too many":     {cases: map[string][]expectation{"C01": {fine, fine, fine}}},
		"an empty place":   {cases: map[string][]expectation{"C01": {fine, nil}}},
		"both":             {cases: good, later: map[string]string{"C01": "why"}},
		"no reason":        {later: map[string]string{"C01": ""}},
		"unknown case":     {cases: good, later: map[string]string{"C99": "why"}},
		"unknown asserted": {cases: map[string][]expectation{"C01": {fine, fine}, "C99": {fine}}},
	} {
		if len(judgeRegistry(sentences, c.cases, c.later)) == 0 {
			t.Errorf("%s: no complaint", what)
		}
	}
}

func readExpectations(t *testing.T, dir string) map[string][]string {
	t.Helper()
	names, err := testdata.CaseNames(dir)
	if err != nil {
		t.Fatal(err)
	}
	sentences := map[string][]string{}
	for _, name := range names {
		text, err := os.ReadFile(filepath.Join(dir, name, "EXPECT.txt"))
		if err != nil {
			t.Fatal(err)
		}
		if sentences[name] = testdata.Sentences(string(text)); len(sentences[name]) == 0 {
			t.Errorf("%s: EXPECT.txt holds no sentence", name)
		}
	}
	return sentences
}
