package packaging_test

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"go/ast"
	"io"
	"maps"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/testdata"
)

var update = flag.Bool("update", false, "write the golden files anew")

var systems = []string{"linux", "windows", "darwin"}

func TestImportsKeepToTheirRooms(t *testing.T) {
	for _, f := range goFiles(t) {
		if f.isTest() {
			continue
		}
		for _, imported := range f.imports(t) {
			if err := judgeImport(f.dir(), imported); err != nil {
				t.Errorf("%s: %v", f.name, err)
			}
		}
	}
}

func TestRulesBite(t *testing.T) {
	for _, c := range []struct{ dir, imported string }{
		{"policy", "os"}, {"policy", "net/http"}, {"policy", "os/signal"},
		{"policy", module + "/trust"}, {"trust", module + "/policy"},
		{"trust/root", module + "/trust"}, {"trust/host", module + "/trust"},
		{"trust/native", "os/exec"}, {"trust/native", "os"}, {"trust/native", "net/http"},
		{"trust/native", module + "/agent/ledger"},
		{"agent", module + "/trust/native"}, {"agent", module + "/trust/host"}, {"agent", "os/exec"}, {"agent", "net"},
		{"agent/report", "net/http"}, {"cmd/anchorhold", "os/exec"},
		{"cmd/anchorhold", module + "/trust/trusttest"}, {"cmd/anchorhold", module + "/testdata"},
		{"cmd/anchorhold-fleet/internal/page", module + "/agent"},
		{"cmd/anchorhold", module + "/cmd/anchorhold-fleet/internal/page"},
		{"lobby", "fmt"},
	} {
		if judgeImport(c.dir, c.imported) == nil {
			t.Errorf("%s may import %s", c.dir, c.imported)
		}
	}
	for _, c := range []struct{ dir, imported string }{
		{"policy", "crypto/ed25519"}, {"policy", module + "/trust/root"}, {"trust/host", "os/exec"},
		{"cmd/anchorhold-fleet", module + "/cmd/anchorhold-fleet/internal/page"}, {"agent/sink", "net/http"},
		{"trust/root", "net/url"},
	} {
		if err := judgeImport(c.dir, c.imported); err != nil {
			t.Error(err)
		}
	}
	agent, _ := roomOf("agent")
	for _, linked := range []string{module + "/trust/native", "database/sql"} {
		if judgeLinks(agent, []string{"fmt", linked}) == nil {
			t.Errorf("agent may link %s", linked)
		}
	}
}

// The clock is a parameter of pure code: expiry is tested without waiting.
func TestPureRoomsReadNoClock(t *testing.T) {
	checked := 0
	for _, f := range goFiles(t) {
		r, ok := roomOf(f.dir())
		if f.isTest() || !ok || r.clock {
			continue
		}
		checked++
		ast.Inspect(f.ast, func(n ast.Node) bool {
			if name, ok := clockCall(n); ok {
				t.Errorf("%s: time.%s: %s", f.fset.Position(n.Pos()), name, r.why)
			}
			return true
		})
	}
	if checked == 0 {
		t.Error("no pure file found")
	}
}

func clockCall(n ast.Node) (string, bool) {
	sel, ok := n.(*ast.SelectorExpr)
	if !ok {
		return "", false
	}
	pkg, ok := sel.X.(*ast.Ident)
	reads := []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker"}
	return sel.Sel.Name, ok && pkg.Name == "time" && slices.Contains(reads, sel.Sel.Name)
}

func TestLinksStayApart(t *testing.T) {
	dirs := map[string]bool{}
	for _, f := range goFiles(t) {
		if r, ok := roomOf(f.dir()); ok && !f.isTest() && len(r.links) > 0 {
			dirs[f.dir()] = true
		}
	}
	if !dirs["cmd/anchorhold"] {
		t.Fatal("the agent's command was not found")
	}
	for _, dir := range slices.Sorted(maps.Keys(dirs)) {
		r, _ := roomOf(dir)
		for _, goos := range systems {
			if err := judgeLinks(r, slices.Sorted(maps.Keys(linked(t, goos, dir)))); err != nil {
				t.Errorf("%s: %v", goos, err)
			}
		}
	}
}

// TestModules compares the modules that the agent's binary links with the
// committed list: each line is code that runs as root.
func TestModules(t *testing.T) {
	on := map[string][]string{}
	for _, goos := range systems {
		seen := map[string]bool{}
		for _, mod := range linked(t, goos, "cmd/anchorhold") {
			if mod != "" && mod != module && !seen[mod] {
				seen[mod] = true
				on[mod] = append(on[mod], goos)
			}
		}
	}
	var got strings.Builder
	for _, mod := range slices.Sorted(maps.Keys(on)) {
		got.WriteString(mod + " " + strings.Join(on[mod], " ") + "\n")
	}
	golden := testdata.Path(t, "golden", "modules.txt")
	if *update {
		if err := os.WriteFile(golden, []byte(got.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if got.String() != string(want) {
		t.Errorf("the agent's binary links\n%swhere %s says\n%sa new line is a decision: DEVELOPERS.md says why each is there", &got, golden, want)
	}
}

// linked are the packages that dir's package links on goos, each with its
// module ("" for the standard library's).
func linked(t *testing.T, goos, dir string) map[string]string {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, "go", "list", "-deps", "-json=ImportPath,Module", "./"+dir)
	cmd.Dir = top(t)
	cmd.Env = append(os.Environ(), "GOOS="+goos, "GOARCH=amd64", "CGO_ENABLED=0")
	out, err := cmd.Output()
	if err != nil {
		if exit, ok := errors.AsType[*exec.ExitError](err); ok {
			t.Fatalf("go list: %v\n%s", err, exit.Stderr)
		}
		t.Fatal(err)
	}
	pkgs := map[string]string{}
	stream := json.NewDecoder(strings.NewReader(string(out)))
	for {
		var p struct {
			ImportPath string
			Module     *struct{ Path string }
		}
		err := stream.Decode(&p)
		if err == io.EOF {
			return pkgs
		}
		if err != nil {
			t.Fatal(err)
		}
		pkgs[p.ImportPath] = ""
		if p.Module != nil {
			pkgs[p.ImportPath] = p.Module.Path
		}
	}
}
