package host

import (
	"os"
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
	var as *Account
	if os.Geteuid() == 0 {
		var err error
		if as, err = System().Account("nobody"); err != nil {
			t.Fatal(err)
		}
	}
	r, err := System().Run(t.Context(), Cmd{Path: "/bin/sh", Args: []string{"-c", "ulimit -d; ulimit -c; exit 3"}, Memory: 64 << 20, As: as})
	if err != nil || string(r.Stdout) != "65536\n0\n" || r.Code != 3 {
		t.Errorf("%q %v", r.Stdout, err)
	}
	if r, err := System().Run(t.Context(), Cmd{Path: "/etc/passwd", Memory: 64 << 20}); err == nil {
		t.Errorf("a file that is no program: %+v", r)
	}
	if r, err := System().Run(t.Context(), Cmd{Path: Self, Memory: 64 << 20}); err == nil {
		t.Errorf("ourselves: %+v", r)
	}
}
