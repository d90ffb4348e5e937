package policy

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// formats.md names every code, and no other.
func TestFormatsNamesCodes(t *testing.T) {
	data, err := os.ReadFile("../packaging/doc/formats.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(data), "## Codes of errors")
	table, findings, _ := strings.Cut(rest, "## Codes of findings")
	told := map[string]bool{}
	for _, m := range regexp.MustCompile("(?m)^\\| `([a-z0-9-]+)` \\|").FindAllStringSubmatch(table, -1) {
		told[m[1]] = true
		if _, ok := codes[m[1]]; !ok {
			t.Errorf("formats.md tells of %q, which no error has", m[1])
		}
	}
	for code, next := range codes {
		if !told[code] || next == "" {
			t.Errorf("code %q is not in formats.md or says nothing to do", code)
		}
	}
	if len(told) < 60 {
		t.Errorf("%d codes were found in formats.md", len(told))
	}
	n := 0
	for code := range findingCodes(t) {
		if n++; !strings.Contains(findings, "`"+code+"`") {
			t.Errorf("finding %q is not in formats.md", code)
		}
	}
	if n < 40 {
		t.Errorf("%d codes of findings were found in the code", n)
	}
}

// findingCodes reads the codes of findings out of the source, where each is
// the first plain word that add or warn gets.
func findingCodes(t *testing.T) map[string]bool {
	t.Helper()
	found := map[string]bool{}
	for _, pattern := range []string{"check*.go", "compile*.go"} {
		names, err := filepath.Glob(pattern)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			data, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range regexp.MustCompile(`c\.(?:add|warn)\([^"\n]*"([a-z0-9-]+)"`).FindAllStringSubmatch(string(data), -1) {
				found[m[1]] = true
			}
		}
	}
	delete(found, "-unknown") // what+"-unknown"
	return found
}

// Every exported Code has something to do in the table.
func TestCodesAreAllInTheTable(t *testing.T) {
	data, err := os.ReadFile("codes.go")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, m := range regexp.MustCompile(`(?m)^\tCode\w+\s+= "([a-z0-9-]+)"`).FindAllStringSubmatch(string(data), -1) {
		if n++; codes[m[1]] == "" {
			t.Errorf("code %q has nothing to do", m[1])
		}
	}
	if n != len(codes) {
		t.Errorf("%d constants, %d lines of the table", n, len(codes))
	}
}
