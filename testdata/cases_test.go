//go:build linux || darwin

package testdata

import (
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// counting is a stand-in for the script: it makes one case and leaves a mark
// beside itself for each run.
const counting = `set -eu
echo run >>"$0.runs"
mkdir "$1/C01"
echo "One." >"$1/C01/EXPECT.txt"
`

func TestMakeCasesOnceForAll(t *testing.T) {
	need(t, "bash")
	dir := t.TempDir()
	script, cache := filepath.Join(dir, "make.sh"), filepath.Join(dir, "cache")
	write(t, script, counting, 0o755)
	day := time.Date(2026, 5, 1, 23, 0, 0, 0, time.UTC)
	get := func(now time.Time) string {
		set, err := makeCases(script, cache, now)
		if err != nil {
			t.Error(err)
		}
		return set
	}
	var all sync.WaitGroup
	for range 4 {
		all.Go(func() { get(day) })
	}
	all.Wait()
	if n := runs(t, script); n != 1 {
		t.Errorf("four callers: the script ran %d times, want once", n)
	}
	set := get(day)
	if names, err := CaseNames(set); err != nil || len(names) != 1 || names[0] != "C01" {
		t.Errorf("names: %v, %v", names, err)
	}
	if next := get(day.Add(2 * time.Hour)); next == set {
		t.Error("the next day got the former day's set")
	}
	write(t, script, counting+"# changed\n", 0o755)
	get(day)
	if n := runs(t, script); n != 3 {
		t.Errorf("after another day and another script: %d runs, want 3", n)
	}
}

func TestMakeCasesDropsOldSets(t *testing.T) {
	need(t, "bash")
	dir := t.TempDir()
	script, cache := filepath.Join(dir, "make.sh"), filepath.Join(dir, "cache")
	write(t, script, counting, 0o755)
	old, err := makeCases(script, cache, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := makeCases(script, cache, time.Now().Add(keepFor+24*time.Hour)); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(old); !os.IsNotExist(err) {
		t.Errorf("the former set is still there: %v", err)
	}
}

func TestFailedScriptLeavesNoSet(t *testing.T) {
	need(t, "bash")
	dir := t.TempDir()
	script, cache := filepath.Join(dir, "make.sh"), filepath.Join(dir, "cache")
	write(t, script, counting+"echo C01 FAIL no fault; exit 1\n", 0o755)
	for range 2 {
		_, err := makeCases(script, cache, time.Now())
		if err == nil || !strings.Contains(err.Error(), "C01 FAIL no fault") {
			t.Fatalf("got %v, want the script's last words", err)
		}
	}
	entries, err := os.ReadDir(cache)
	if err != nil || len(entries) != 1 {
		t.Errorf("beside the lock: %v, %v", entries, err)
	}
}

func TestLockRefusesOthersFolders(t *testing.T) {
	dir := t.TempDir()
	open := filepath.Join(dir, "open")
	if err := os.Mkdir(open, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(open, 0o777); err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(dir, "link")
	if err := os.Symlink(t.TempDir(), link); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{open, link} {
		if unlock, err := lock(name); err == nil {
			unlock()
			t.Errorf("%s was taken", name)
		}
	}
}

func TestCasesAreWhole(t *testing.T) {
	dir := Cases(t)
	names, err := CaseNames(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(names) != 25 {
		t.Errorf("%d cases, want 25: %v", len(names), names)
	}
	for _, name := range names {
		text, err := os.ReadFile(filepath.Join(dir, name, "EXPECT.txt"))
		if err != nil || len(Sentences(string(text))) == 0 {
			t.Errorf("%s: no sentence: %v", name, err)
		}
	}
}

func runs(t *testing.T, script string) int {
	t.Helper()
	marks, err := os.ReadFile(script + ".runs")
	if err != nil {
		t.Fatal(err)
	}
	return strings.Count(string(marks), "run\n")
}
