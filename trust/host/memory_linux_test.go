package host

import (
	"strings"
	"testing"
)

// A program that wants more memory than it may have fails, and one that does
// not is left alone.
func TestRunBoundsMemory(t *testing.T) {
	grow := "x=aaaaaaaa; for i in 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 19 20 21 22 23; do x=$x$x; done; echo ${#x}"
	for bound, want := range map[int64]string{0: "67108864\n", 32 << 20: "", 1 << 30: "67108864\n"} {
		r, err := System().Run(t.Context(), Cmd{Path: "/bin/sh", Args: []string{"-c", grow}, Memory: bound})
		if err == nil && (string(r.Stdout) != want || (want == "") != (r.Code != 0)) {
			t.Errorf("with %d bytes: exit %d, %q %q", bound, r.Code, r.Stdout, r.Stderr)
		}
		if err != nil && want != "" {
			t.Errorf("with %d bytes: %v", bound, err)
		}
	}
	r, err := System().Run(t.Context(), Cmd{Path: "/bin/sh", Args: []string{"-c", "sleep 0.1; ulimit -d; ulimit -c"}, Memory: 64 << 20})
	if err != nil || strings.Fields(string(r.Stdout))[0] != "65536" || strings.Fields(string(r.Stdout))[1] != "0" {
		t.Errorf("%q %v", r.Stdout, err)
	}
}
