//go:build unix

package native

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust/trusttest"
)

// buildLimit bounds the building of a program for Windows.
const buildLimit = 5 * time.Minute

var partEnded = regexp.MustCompile(`(?m)^--- (PASS|FAIL|SKIP): (TestReal\w+) \(`)

// TestUnderWine runs this package's own tests of the real store, built for
// Windows, under Wine.
func TestUnderWine(t *testing.T) {
	w := trusttest.NewWine(t)
	exe := filepath.Join(t.TempDir(), "native.test.exe")
	ctx, cancel := context.WithTimeout(t.Context(), buildLimit)
	defer cancel()
	c := exec.CommandContext(ctx, "go", "test", "-c", "-o", exe, ".")
	c.Env = append(os.Environ(), "GOOS=windows", "GOARCH=amd64", "CGO_ENABLED=0")
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("cannot build the tests for Windows: %v\n%s", err, out)
	}
	r := w.Run(t.TempDir(), exe, "-test.run", "^TestReal", "-test.v", "-test.timeout", "100s", "-lab")
	out := string(r.Stdout) + string(r.Stderr)
	parts := partEnded.FindAllStringSubmatch(out, -1)
	if len(parts) == 0 {
		t.Fatalf("no test ran:\n%s", out)
	}
	for _, p := range parts {
		t.Run(p[2], func(t *testing.T) {
			if p[1] != "PASS" {
				t.Error("it did not pass under Wine; the output of the whole test tells")
			}
		})
	}
	if r.Code != 0 {
		t.Errorf("exit %d:\n%s", r.Code, out)
	}
}
