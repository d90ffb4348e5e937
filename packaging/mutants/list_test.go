// Package mutants_test holds the list of changes that tests must notice, and
// tries them.
package mutants_test

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/testdata"
)

const (
	listFile   = "mutants.txt"
	leastCount = 30
)

// mutant is one change.
type mutant struct {
	name      string
	file      string // from the top of the tree
	pkg, test string
	old, new  []string
}

// parse reads the list.
func parse(text string) ([]mutant, error) {
	var all []mutant
	var m *mutant
	for i, line := range strings.Split(text, "\n") {
		line = strings.TrimSpace(line)
		name, begins := strings.CutPrefix(line, "== ")
		switch {
		case line == "", line[0] == '#':
		case begins:
			all = append(all, mutant{name: name})
			m = &all[len(all)-1]
		case m == nil:
			return nil, fmt.Errorf("line %d belongs to no mutant", i+1)
		case strings.HasPrefix(line, "- "):
			m.old = append(m.old, line[2:])
		case strings.HasPrefix(line, "+ "):
			m.new = append(m.new, line[2:])
		default:
			f := strings.Fields(line)
			if len(f) != 3 || m.file != "" {
				return nil, fmt.Errorf("line %d: want file, package and test once, have %q", i+1, line)
			}
			m.file, m.pkg, m.test = f[0], f[1], f[2]
		}
	}
	for _, m := range all {
		if m.file == "" || len(m.old) == 0 || len(m.new) == 0 {
			return nil, fmt.Errorf("mutant %q is not complete", m.name)
		}
	}
	return all, nil
}

// apply returns a file with the change. The last of the old lines may be the
// beginning of one. What stands there exactly once is meant.
func (m mutant) apply(text string) (string, error) {
	var parts []string
	for _, l := range m.old {
		parts = append(parts, regexp.QuoteMeta(l))
	}
	old := regexp.MustCompile(`(?m)^[ \t]*` + strings.Join(parts, `\n[ \t]*`))
	found := old.FindAllStringIndex(text, -1)
	if len(found) != 1 {
		return "", fmt.Errorf("%s: %q: its lines stand in %s %d times, not once", listFile, m.name, m.file, len(found))
	}
	return text[:found[0][0]] + strings.Join(m.new, "\n") + text[found[0][1]:], nil
}

func list(t *testing.T) []mutant {
	t.Helper()
	text, err := os.ReadFile(listFile)
	if err != nil {
		t.Fatal(err)
	}
	all, err := parse(string(text))
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < leastCount {
		t.Fatalf("only %d mutants, want %d", len(all), leastCount)
	}
	return all
}

// TestMutantsApply keeps the list in step with the code.
func TestMutantsApply(t *testing.T) {
	top, err := testdata.Root()
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range list(t) {
		text, err := os.ReadFile(filepath.Join(top, filepath.FromSlash(m.file)))
		if err != nil {
			t.Errorf("%q: %v", m.name, err)
			continue
		}
		if _, err := m.apply(string(text)); err != nil {
			t.Error(err)
		}
	}
}
