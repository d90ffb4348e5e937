package testdata

import (
	"os"
	"path/filepath"
	"slices"
	"testing"
)

func TestMatchWithoutFilesFails(t *testing.T) {
	dir := t.TempDir()
	if files, err := match(dir, "*.json"); err == nil {
		t.Fatalf("an empty folder matched: %v", files)
	}
	write(t, filepath.Join(dir, "a.json"), "{}", 0o644)
	files, err := match(dir, "*.json")
	if err != nil || len(files) != 1 {
		t.Fatalf("one file: got %v, %v", files, err)
	}
}

func TestEachVisitsEveryFile(t *testing.T) {
	var seen []string
	Each(t, "cases/make-*.sh", func(t *testing.T, file string) {
		seen = append(seen, filepath.Base(file))
	})
	if !slices.Equal(seen, []string{"make-cases.sh"}) {
		t.Errorf("seen %v", seen)
	}
}

func TestRootHoldsTheModule(t *testing.T) {
	root, err := Root()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(root, "testdata", "testdata.go")); err != nil {
		t.Error(err)
	}
	t.Chdir(t.TempDir())
	if dir, err := Root(); err == nil {
		t.Errorf("outside the tree: found %s", dir)
	}
}

func TestSentences(t *testing.T) {
	for _, c := range []struct {
		text string
		want []string
	}{
		{"", nil},
		{"One.\n", []string{"One."}},
		{"One. Two (b.pem, RFC 5280 4.1.2.2).\nwrong: three", []string{"One.", "Two (b.pem, RFC 5280 4.1.2.2).", "wrong: three"}},
		{"run.sh 5 AGENT ...: ends. two-names: 'of root ...', not 'x'.", []string{"run.sh 5 AGENT ...: ends.", "two-names: 'of root ...', not 'x'."}},
	} {
		if got := Sentences(c.text); !slices.Equal(got, c.want) {
			t.Errorf("%q: got %q, want %q", c.text, got, c.want)
		}
	}
}

func write(t *testing.T, path, text string, perm os.FileMode) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), perm); err != nil {
		t.Fatal(err)
	}
}
