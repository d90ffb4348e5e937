package probe_test

import (
	"encoding/json"
	"encoding/pem"
	"errors"
	"io/fs"
	"os"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/testdata"
)

// measuredAt is when matrix.json says that its verdicts hold.
var measuredAt = time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC)

// TestRootVariants has each variant of a root carry the server below it, and
// expects what was measured of Go.
func TestRootVariants(t *testing.T) {
	text, err := os.ReadFile(testdata.Path(t, "root-variants", "matrix.json"))
	if err != nil {
		t.Fatal(err)
	}
	var matrix struct {
		Cases []struct {
			Name string `json:"name"`
			Host string `json:"host"`
			Go   string `json:"go_verify"`
		} `json:"cases"`
	}
	if err := json.Unmarshal(text, &matrix); err != nil {
		t.Fatal(err)
	}
	counts := map[bool]int{}
	for _, c := range matrix.Cases {
		chain := [][]byte{variant(t, c.Name, "leaf")}
		if i := variant(t, c.Name, "inter"); i != nil {
			chain = append(chain, i)
		}
		want := c.Go == "accept" // nothing stands in the one row whose issuing CA is at fault, not its root: refused
		counts[want]++
		if j := judge(t, chain, c.Host, measuredAt, variant(t, c.Name, "root")); j.verifies != want {
			t.Errorf("%s: verifies %v, measured %q: %s", c.Name, j.verifies, c.Go, j.why)
		}
	}
	if counts[true] < 30 || counts[false] < 39 {
		t.Errorf("%v variants", counts)
	}
	t.Logf("root variants: %d verify, %d do not, as was measured of Go", counts[true], counts[false])
}

// variant is a certificate of the set, or nil where it has none of that kind.
func variant(t *testing.T, name, kind string) []byte {
	t.Helper()
	text, err := os.ReadFile(testdata.Path(t, "root-variants", name+"."+kind+".pem"))
	if kind == "inter" && errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		t.Fatal(err)
	}
	block, _ := pem.Decode([]byte(strings.TrimSpace(string(text)) + "\n"))
	if block == nil {
		t.Fatalf("%s.%s.pem is no PEM", name, kind)
	}
	return block.Bytes
}
