package probe_test

import (
	"context"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust/trusttest"
)

// BetterTLS makes its paths afresh, each time below a new root, with the
// verdict that is right; Go's own tests of crypto/x509 use this version.
const betterTLS = "github.com/Netflix/bettertls@v0.0.0-20250909192348-e1e99e353074"

const (
	makeLimit = 4 * time.Minute // from nothing: modules, a build, then some seconds
	fewest    = 9000            // paths; there are 9,572
)

// betterPaths is what its export says, as far as it is used.
type betterPaths struct {
	Root   []byte `json:"trustRoot"`
	Suites map[string]struct {
		Cases []struct {
			ID    int      `json:"id"`
			Chain [][]byte `json:"certificates"`
			Host  string   `json:"hostname"`
			Want  string   `json:"expected"`
			Soft  bool     `json:"failureIsWarning"` // RFCs leave it open
		} `json:"testCases"`
	} `json:"suites"`
}

func TestBetterTLS(t *testing.T) {
	if testing.Short() {
		t.Skip("it builds a program and judges thousands of paths: not in a -short run")
	}
	data := exported(t)
	now, all := time.Now(), 0
	for _, name := range []string{"nameconstraints", "pathbuilding"} {
		compared, open, unlike, explained := 0, 0, 0, map[string]int{}
		for _, c := range data.Suites[name].Cases {
			all++
			j := judge(t, c.Chain, c.Host, now, data.Root)
			want := c.Want == "ACCEPT"
			switch {
			case c.Soft:
				if open++; j.verifies != want {
					unlike++
				}
				continue
			case !want && c.Want != "REJECT":
				t.Fatalf("%s %d: verdict %q", name, c.ID, c.Want)
			}
			if compared++; j.verifies == want {
				continue
			}
			why, ok := betterDisagree[name][j.why]
			if !ok {
				t.Errorf("%s %d (%d certificates, %s): verifies %v, published %v: %s", name, c.ID, len(c.Chain), c.Host, j.verifies, want, j.why)
			}
			explained[why]++
		}
		if compared == 0 {
			t.Errorf("%s: no path was compared", name)
		}
		t.Logf("BetterTLS %s: %d paths compared, %v disagree; of %d that the RFCs leave open %d are judged otherwise", name, compared, explained, open, unlike)
	}
	if all < fewest {
		t.Errorf("%d paths, want at least %d", all, fewest)
	}
}

// betterDisagree are the disagreements of a suite by what we say, each with its
// reason.
var betterDisagree = map[string]map[string]string{}

// exported runs the module's own program, in its folder in the module cache.
func exported(t *testing.T) betterPaths {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), makeLimit)
	defer cancel()
	list := exec.CommandContext(ctx, "go", "mod", "download", "-json", betterTLS)
	out, err := list.Output()
	if err != nil {
		trusttest.Lacking(t, "the module "+betterTLS+": "+err.Error())
	}
	var module struct{ Dir string }
	if err := json.Unmarshal(out, &module); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "paths.json")
	run := exec.CommandContext(ctx, "go", "run", "-mod=mod", "./test-suites/cmd/bettertls", "export-tests", "--out", file)
	run.Dir, run.Env = module.Dir, slices.Concat(os.Environ(), []string{"GOTOOLCHAIN=local", "GOWORK=off"})
	if out, err := run.CombinedOutput(); err != nil {
		trusttest.Lacking(t, "what "+betterTLS+" is built from: "+err.Error()+"\n"+string(out))
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var data betterPaths
	if err := json.Unmarshal(text, &data); err != nil {
		t.Fatal(err)
	}
	return data
}
