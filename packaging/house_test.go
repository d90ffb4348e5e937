package packaging_test

import (
	"bytes"
	"go/ast"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

const (
	maxLines = 400
	maxFile  = 1 << 20
)

// topLevel is all that the top of the tree may hold, dot files and what a build
// leaves apart.
var topLevel = []string{"cmd", "agent", "trust", "policy", "packaging", "testdata",
	"go.mod", "go.sum", "README.md", "DEVELOPERS.md", "LICENSE", "Makefile"}

func TestTopLevel(t *testing.T) {
	entries, err := os.ReadDir(top(t))
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		if name := e.Name(); !strings.HasPrefix(name, ".") && name != "bin" {
			names = append(names, name)
		}
	}
	for _, name := range names {
		if !slices.Contains(topLevel, name) {
			t.Errorf("%s: the top level holds more than the design names", name)
		}
	}
	for _, name := range topLevel {
		if !slices.Contains(names, name) {
			t.Errorf("%s is missing", name)
		}
	}
}

func TestFilesStaySmall(t *testing.T) {
	for _, name := range treeFiles(t) {
		text := readFile(t, name)
		if len(text) > maxFile {
			t.Errorf("%s: %d bytes, at most %d", name, len(text), maxFile)
		}
		if n := bytes.Count(text, []byte("\n")); path.Ext(name) == ".go" && n > maxLines {
			t.Errorf("%s: %d lines, at most %d", name, n, maxLines)
		}
	}
}

// TestPackageDocs wants one doc comment for each package, beginning as go doc
// expects: the first sentence is what the overview of packages shows.
func TestPackageDocs(t *testing.T) {
	docs := map[string][]string{}
	for _, f := range goFiles(t) {
		if f.isTest() {
			continue
		}
		if _, ok := docs[f.dir()]; !ok {
			docs[f.dir()] = nil
		}
		if f.ast.Doc == nil {
			continue
		}
		docs[f.dir()] = append(docs[f.dir()], f.name)
		want := "Package " + f.ast.Name.Name + " "
		if f.ast.Name.Name == "main" {
			want = "Command " + path.Base(f.dir()) + " "
		}
		if text := f.ast.Doc.Text(); !strings.HasPrefix(text, want) {
			t.Errorf("%s: the package's comment doesn't begin with %q", f.name, want)
		}
	}
	for dir, files := range docs {
		if len(files) != 1 {
			t.Errorf("%s: want one doc comment, have %d: %v", dir, len(files), files)
		}
	}
}

func TestNoInit(t *testing.T) {
	for _, f := range goFiles(t) {
		for _, d := range f.ast.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && fn.Recv == nil && fn.Name.Name == "init" {
				t.Errorf("%s: init runs before anybody asked for it: use an explicit table", f.fset.Position(fn.Pos()))
			}
		}
	}
}

// Patterns are put together from pieces, so that this file does not match.
var (
	unfinished = regexp.MustCompile(`\b(TO` + `DO|FIX` + `ME|XX` + `X)\b|not impl` + `emented|unimpl` + `emented|being wr` + `itten`)
	elsewhere  = regexp.MustCompile(`(^|[^a-z.])/wo` + `rk/|/fa` + `rm/|\.libr` + `ary\b|\.\./sha` + `red\b`)
)

// written are the kinds of files that people write; data may hold anything.
var written = []string{".go", ".md", ".sh", ".toml", ".mod", ".service", ".txtar", ""}

func TestNothingUnfinished(t *testing.T) {
	read := 0
	for _, name := range treeFiles(t) {
		text := readFile(t, name)
		if m := elsewhere.Find(text); m != nil {
			t.Errorf("%s: %q is a path of one machine", name, m)
		}
		if !slices.Contains(written, path.Ext(name)) {
			continue
		}
		read++
		if m := unfinished.FindIndex(text); m != nil {
			t.Errorf("%s:%d: %q", name, 1+bytes.Count(text[:m[0]], []byte("\n")), text[m[0]:m[1]])
		}
	}
	if read < 10 {
		t.Errorf("only %d files read", read)
	}
}

// TestReadmeNamesTheCommands keeps the two commands that a new user runs first.
func TestReadmeNamesTheCommands(t *testing.T) {
	readme, makefile := readFile(t, "README.md"), readFile(t, "Makefile")
	for _, target := range []string{"demo", "test"} {
		if !bytes.Contains(readme, []byte("make "+target)) {
			t.Errorf("README.md does not name make %s", target)
		}
		if !regexp.MustCompile(`(?m)^` + target + `:`).Match(makefile) {
			t.Errorf("the Makefile has no target %s", target)
		}
	}
}

func readFile(t *testing.T, name string) []byte {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(top(t), filepath.FromSlash(name)))
	if err != nil {
		t.Fatal(err)
	}
	return text
}
