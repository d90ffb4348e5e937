package testdata

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// module is the first line of the go.mod that marks the top of the tree.
const module = "module anchorhold.test/anchorhold"

// Root is the top folder of the tree, found upwards from the working folder,
// which for a test is the folder of its package.
func Root() (string, error) {
	dir, err := os.Getwd()
	if err != nil {
		return "", fmt.Errorf("cannot find the top of the tree: %w", err)
	}
	for {
		text, err := os.ReadFile(filepath.Join(dir, "go.mod"))
		first, _, _ := strings.Cut(string(text), "\n")
		if err == nil && strings.TrimSpace(first) == module {
			return dir, nil
		}
		up := filepath.Dir(dir)
		if up == dir {
			return "", fmt.Errorf("cannot find the top of the tree: no go.mod says %q", module)
		}
		dir = up
	}
}

// Path is the absolute path of a file below testdata/; elem is slash-separated.
func Path(t testing.TB, elem ...string) string {
	t.Helper()
	root, err := Root()
	if err != nil {
		t.Fatal(err)
	}
	return filepath.Join(root, "testdata", filepath.Join(elem...))
}

// Each runs fn as a subtest for each file below testdata/ that matches glob
// ("policy/*.json"), in the order of their names; file is an absolute path. A
// pattern without a match fails: a corpus that went away must not pass.
func Each(t *testing.T, glob string, fn func(t *testing.T, file string)) {
	t.Helper()
	files, err := match(Path(t), glob)
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) { fn(t, file) })
	}
}

func match(dir, glob string) ([]string, error) {
	files, err := filepath.Glob(filepath.Join(dir, filepath.FromSlash(glob)))
	if err != nil {
		return nil, fmt.Errorf("cannot match %q: %w", glob, err)
	}
	if len(files) == 0 {
		return nil, fmt.Errorf("cannot match %q: no such file below %s", glob, dir)
	}
	return files, nil
}
