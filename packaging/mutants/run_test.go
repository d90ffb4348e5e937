//go:build mutants

package mutants_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/testdata"
)

// tryLimit bounds the tests of one mutant.
const tryLimit = 4 * time.Minute

// TestMutants tries each change on a copy of the tree: it must compile, and the
// test that it names must pass without it and fail with it.
func TestMutants(t *testing.T) {
	top, err := testdata.Root()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := copyTree(top, dir); err != nil {
		t.Fatal(err)
	}
	all := list(t)
	sound := map[string]error{}
	tried, killed := 0, 0
	for _, m := range all {
		t.Run(m.name, func(t *testing.T) {
			tried++
			which := m.pkg + " " + m.test
			if _, known := sound[which]; !known {
				sound[which] = passes(t.Context(), dir, m)
			}
			if err := sound[which]; err != nil {
				t.Fatalf("without the change %s in %s: %v", m.test, m.pkg, err)
			}
			if err := m.kill(t.Context(), dir); err != nil {
				t.Fatalf("it lives: %v", err)
			}
			killed++
		})
	}
	fmt.Printf("mutants: listed=%d tried=%d killed=%d alive=%d\n", len(all), tried, killed, tried-killed)
}

// copyTree copies what belongs to the tree.
func copyTree(from, to string) error {
	return filepath.WalkDir(from, func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(from, name)
		if err != nil {
			return err
		}
		if slices.Contains([]string{".git", ".cache", "bin"}, rel) {
			if d.IsDir() {
				return filepath.SkipDir
			}
			return nil
		}
		at := filepath.Join(to, rel)
		switch {
		case d.IsDir():
			return os.MkdirAll(at, 0o755)
		case !d.Type().IsRegular():
			return nil
		}
		fi, err := d.Info()
		if err != nil {
			return err
		}
		data, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		return os.WriteFile(at, data, fi.Mode().Perm())
	})
}

var errLives = errors.New("the test passes")

// kill tries one change and takes it back.
func (m mutant) kill(ctx context.Context, dir string) error {
	name := filepath.Join(dir, filepath.FromSlash(m.file))
	was, err := os.ReadFile(name)
	if err != nil {
		return err
	}
	text, err := m.apply(string(was))
	if err != nil {
		return err
	}
	if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
		return err
	}
	err = passes(ctx, dir, m)
	if back := os.WriteFile(name, was, 0o644); back != nil {
		return back
	}
	switch {
	case err == nil:
		return errLives
	case errors.Is(err, errFails):
		return nil
	}
	return err
}

var errFails = errors.New("the test fails")

// passes runs the test of a mutant. A package that does not compile, or in
// which no such test is, is no test that fails.
func passes(ctx context.Context, dir string, m mutant) error {
	ctx, cancel := context.WithTimeout(ctx, tryLimit)
	defer cancel()
	c := exec.CommandContext(ctx, "go", "test", "-vet=off", "-count=1", "-run", m.test, m.pkg)
	c.Dir = dir
	out, err := c.CombinedOutput()
	said := string(out)
	switch {
	case strings.Contains(said, "[build failed]"), strings.Contains(said, "[setup failed]"):
		return fmt.Errorf("it does not compile:\n%s", said)
	case strings.Contains(said, "no tests to run"), strings.Contains(said, "no test files"):
		return errors.New("there is no such test")
	case err == nil:
		return nil
	case strings.Contains(said, "--- FAIL: "), strings.Contains(said, "panic: "):
		return fmt.Errorf("%w:\n%s", errFails, said)
	}
	return fmt.Errorf("%w:\n%s", err, said)
}
