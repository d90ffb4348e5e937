package testdata

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sort"
	"strings"
	"sync"
	"testing"
	"time"
)

const (
	makeLimit = 5 * time.Minute // the script takes about 10 s on two cores
	keepFor   = 48 * time.Hour  // former sets: longer than any test run
	setPrefix = "set-"
)

// Cases is the folder of fault cases, DIR/Cnn each with its files and its
// EXPECT.txt, made by testdata/cases/make-cases.sh once for all test processes
// of one day. Every test shares it: read it, copy what is to be changed.
//
// It takes about ten seconds the first time, so a -short run skips. A machine
// without bash, openssl or python3 skips too, but fails when CI=true.
func Cases(t testing.TB) string {
	t.Helper()
	if testing.Short() {
		t.Skip("the fault cases take some seconds to make: not in a -short run")
	}
	need(t, "bash", "openssl", "python3")
	dir, err := made()
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// made remembers the set for the tests of this process.
var made = sync.OnceValues(func() (string, error) {
	root, err := Root()
	if err != nil {
		return "", err
	}
	return makeCases(filepath.Join(root, "testdata", "cases", "make-cases.sh"), cacheDir(), time.Now())
})

// need skips where a tool is missing, and fails instead when CI=true.
func need(t testing.TB, tools ...string) {
	t.Helper()
	for _, tool := range tools {
		if _, err := exec.LookPath(tool); err == nil {
			continue
		}
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s is missing, and CI=true", tool)
		}
		t.Skipf("%s is missing", tool)
	}
}

// makeCases gives the set of script in cache for the day of now. The day is
// part of the key because one case holds a certificate that ends three weeks
// after its making.
func makeCases(script, cache string, now time.Time) (string, error) {
	text, err := os.ReadFile(script)
	if err != nil {
		return "", fmt.Errorf("cannot make the cases: %w", err)
	}
	unlock, err := lock(cache)
	if err != nil {
		return "", fmt.Errorf("cannot make the cases: %w", err)
	}
	defer unlock()
	sum := sha256.Sum256(text)
	set := filepath.Join(cache, fmt.Sprintf("%s%x-%s", setPrefix, sum[:8], now.UTC().Format("20060102")))
	if _, err := os.Stat(set); err == nil {
		return set, nil
	}
	if err := dropOld(cache, now); err != nil {
		return "", err
	}
	return set, build(script, set)
}

// build lets the script work in a folder beside set, which appears whole or
// not at all.
func build(script, set string) error {
	temp, err := os.MkdirTemp(filepath.Dir(set), "new-")
	if err != nil {
		return fmt.Errorf("cannot make the cases: %w", err)
	}
	defer os.RemoveAll(temp)
	if err := os.Chmod(temp, 0o755); err != nil {
		return fmt.Errorf("cannot make the cases: %w", err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), makeLimit)
	defer cancel()
	cmd := exec.CommandContext(ctx, "bash", script, temp)
	cmd.WaitDelay = time.Second
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("cannot make the cases: %w; the script's last words:\n%s", err, tail(out.String(), 20))
	}
	if err := os.Rename(temp, set); err != nil {
		return fmt.Errorf("cannot make the cases: %w", err)
	}
	return nil
}

// dropOld removes sets of former days and scripts, and what a killed run left.
func dropOld(cache string, now time.Time) error {
	entries, err := os.ReadDir(cache)
	if err != nil {
		return fmt.Errorf("cannot tidy the cases: %w", err)
	}
	for _, e := range entries {
		info, err := e.Info()
		if err != nil || !e.IsDir() || now.Sub(info.ModTime()) < keepFor {
			continue
		}
		if err := os.RemoveAll(filepath.Join(cache, e.Name())); err != nil {
			return fmt.Errorf("cannot tidy the cases: %w", err)
		}
	}
	return nil
}

// Sentences are the sentences of an EXPECT.txt, in order. A sentence ends with
// a period that white space or the end of a line follows.
func Sentences(text string) []string {
	var out []string
	for line := range strings.Lines(text) {
		rest := strings.TrimSpace(line)
		for rest != "" {
			head, tail, found := strings.Cut(rest, ". ")
			if found {
				head += "."
			}
			out, rest = append(out, head), strings.TrimSpace(tail)
		}
	}
	return out
}

// CaseNames are the cases in a folder that Cases gave, sorted.
func CaseNames(dir string) ([]string, error) {
	found, err := match(dir, "C[0-9][0-9]/EXPECT.txt")
	if err != nil {
		return nil, err
	}
	names := make([]string, 0, len(found))
	for _, f := range found {
		names = append(names, filepath.Base(filepath.Dir(f)))
	}
	sort.Strings(names)
	return names, nil
}

func tail(text string, lines int) string {
	all := strings.Split(strings.TrimSpace(text), "\n")
	return strings.Join(all[max(0, len(all)-lines):], "\n")
}
