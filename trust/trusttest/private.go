package trusttest

import (
	"os"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust/host"
)

// privateMark tells the test program that it runs in the namespace already.
const privateMark = "ANCHORHOLD_PRIVATE_MACHINE"

// Bounds of one private run.
const (
	privateLimit  = 5 * time.Minute
	privateOutput = 4 << 20
)

// enter mounts a layer over /etc, /usr and /var, whose changes lie in memory
// and vanish with the namespace, and then becomes the test program.
const enter = `set -e
base=$1 mark=$2 ci=$3; shift 3
mount -t tmpfs -o mode=0755 tmpfs "$base"
for d in etc usr var; do
	mkdir "$base/$d" "$base/$d-work"
	mount -t overlay -o "lowerdir=/$d,upperdir=$base/$d,workdir=$base/$d-work" overlay "/$d"
done
export "$mark=1" "CI=$ci"
exec "$@"
`

// Private gives a test the real machine to break. Outside it runs this one
// test again in a mount namespace of its own, reports how that ended and
// returns false: the test has then nothing more to do. Inside it returns true.
//
//	if !trusttest.Private(t) {
//		return
//	}
func Private(t *testing.T) bool {
	t.Helper()
	if os.Getenv(privateMark) != "" {
		return true
	}
	if strings.Contains(t.Name(), "/") {
		t.Fatal("Private is for whole tests, not for parts of one")
	}
	if os.Geteuid() != 0 {
		Lacking(t, "root: it mounts in a namespace of its own")
	}
	tools := Need(t, "unshare", "mount")
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	here, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	args := []string{"--mount", "--propagation", "private", "/bin/sh", "-c", enter, "enter", t.TempDir(), privateMark, os.Getenv("CI"),
		self, "-test.run", "^" + t.Name() + "$", "-test.v", "-test.timeout", privateLimit.String()}
	r, err := host.System().Run(t.Context(), host.Cmd{Path: tools[0], Args: args, Dir: here, Timeout: privateLimit, Limit: privateOutput})
	out := string(r.Stdout) + string(r.Stderr)
	switch {
	case err != nil:
		t.Fatalf("in a namespace of its own: %v\n%s", err, out)
	case r.Code != 0 && !strings.Contains(out, "--- FAIL"):
		Lacking(t, "mount namespaces with overlays: "+strings.TrimSpace(out))
	case r.Code != 0:
		t.Fatalf("in a namespace of its own:\n%s", out)
	case strings.Contains(out, "--- SKIP: "+t.Name()+" "):
		t.Skipf("in a namespace of its own:\n%s", out)
	case !strings.Contains(out, "--- PASS: "+t.Name()+" "):
		t.Fatalf("the test did not run in a namespace of its own:\n%s", out)
	}
	t.Logf("in a namespace of its own:\n%s", out)
	return false
}
