package packaging_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/testdata"
)

const module = "anchorhold.test/anchorhold"

// goFile is one Go file of the tree, whatever system its build tags name.
type goFile struct {
	name string // slash-separated, from the top of the tree
	ast  *ast.File
	fset *token.FileSet
}

func (f goFile) dir() string  { return path.Dir(f.name) }
func (f goFile) isTest() bool { return strings.HasSuffix(f.name, "_test.go") }

func (f goFile) imports(t *testing.T) []string {
	t.Helper()
	var paths []string
	for _, spec := range f.ast.Imports {
		p, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			t.Fatal(err)
		}
		paths = append(paths, p)
	}
	return paths
}

func top(t *testing.T) string {
	t.Helper()
	dir, err := testdata.Root()
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// treeFiles are all files that belong to the tree, from its top: what a build
// leaves and git's own folder are not.
func treeFiles(t *testing.T) []string {
	t.Helper()
	root := top(t)
	var names []string
	err := filepath.WalkDir(root, func(file string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name, err := filepath.Rel(root, file)
		if err != nil {
			return err
		}
		name = filepath.ToSlash(name)
		if slices.Contains([]string{".git", ".cache", "bin"}, name) {
			if d.IsDir() {
				return filepath.SkipDir
			}
			return nil // .git is a file in a second work tree
		}
		if d.Type().IsRegular() {
			names = append(names, name)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(names) == 0 {
		t.Fatal("the tree holds no file")
	}
	return names
}

// goFiles are the tree's Go files but those of the tools' own module.
func goFiles(t *testing.T) []goFile {
	t.Helper()
	var files []goFile
	fset := token.NewFileSet()
	for _, name := range treeFiles(t) {
		if path.Ext(name) != ".go" || strings.HasPrefix(name, ".ci/") {
			continue
		}
		file, err := parser.ParseFile(fset, filepath.Join(top(t), filepath.FromSlash(name)), nil, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, goFile{name: name, ast: file, fset: fset})
	}
	if len(files) < 10 {
		t.Fatalf("only %d Go files found", len(files))
	}
	return files
}
