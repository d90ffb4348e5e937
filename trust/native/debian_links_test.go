package native

import (
	"regexp"
	"strconv"
	"testing"
)

// TestHashName holds the reading of lookup names against the expression that
// says what they are.
func TestHashName(t *testing.T) {
	form := regexp.MustCompile(`^([0-9a-f]{8})\.([0-9]{1,9})$`)
	for _, name := range []string{"0123abcd.0", "0123abcd.12", "0123abcd.00", "0123abcd.123456789", "0123abcd.1234567890",
		"0123ABCD.0", "0123abcd.r0", "0123abcd.", "0123abcd", ".0", "0123abc.0", "0123abcde.0", "0123abcd.0.1", "0123abcd.-1",
		"0123abcd.+1", "0123abcd. 1", "0123abcg.0", "", ".", "0123abcd.0\n", "0123abc\u0661.0", "0123abcd.\u0661"} {
		hash, n, ok := hashName(name)
		m := form.FindStringSubmatch(name)
		if m == nil {
			if ok || hash != "" || n != -1 {
				t.Errorf("%q: %q, %d, %v", name, hash, n, ok)
			}
			continue
		}
		if want, _ := strconv.Atoi(m[2]); !ok || hash != m[1] || n != want {
			t.Errorf("%q: %q, %d, %v", name, hash, n, ok)
		}
	}
}
