package trusttest

import (
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust/host"
)

// privateMark tells the test program that it runs in the namespace already.
const privateMark = "ANCHORHOLD_PRIVATE_MACHINE"

// Bounds of one private run.
const (
	privateLimit  = 12 * time.Minute
	privateOutput = 4 << 20
)

// enter mounts a layer over /etc, /usr and /var, whose changes lie in memory
// and vanish with the namespace, and then becomes the test program.
const enter = `set -e
base=$1 mark=$2 ci=$3 net=$4; shift 4
mount -t tmpfs -o mode=0755 tmpfs "$base"
for d in etc usr var; do
	mkdir "$base/$d" "$base/$d-work"
	mount -t overlay -o "lowerdir=/$d,upperdir=$base/$d,workdir=$base/$d-work" overlay "/$d"
done
if [ "$net" = own ]; then ip link set lo up; fi
export "$mark=1" "CI=$ci"
exec "$@"
`

// Private gives a test the real machine to break. Outside it runs this one
// test again in a mount namespace of its own, reports how that ended, parts and
// all, and returns false: the test has then nothing more to do. Inside it
// returns true. A part of a test (t.Run) gets a machine of its own likewise,
// and whatever stands around it runs again there. set are environment
// variables for inside, as NAME=VALUE.
//
//	if !trusttest.Private(t) {
//		return
//	}
func Private(t *testing.T, set ...string) bool {
	t.Helper()
	return private(t, false, set)
}

// PrivateNetwork is Private with a network of its own besides, where nothing
// listens and nothing is reached but what the test starts itself.
func PrivateNetwork(t *testing.T, set ...string) bool {
	t.Helper()
	return private(t, true, set)
}

func private(t *testing.T, network bool, set []string) bool {
	t.Helper()
	if os.Getenv(privateMark) != "" {
		return true
	}
	if os.Geteuid() != 0 {
		Lacking(t, "root: it mounts in a namespace of its own")
	}
	tools := Need(t, "unshare", "mount", "env")
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	here, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	spaces, net := []string{"--mount", "--propagation", "private"}, ""
	if network {
		Need(t, "ip")
		spaces, net = append(spaces, "--net"), "own"
	}
	args := slices.Concat(spaces, []string{"/bin/sh", "-c", enter, "enter", t.TempDir(), privateMark, os.Getenv("CI"), net},
		[]string{tools[2]}, set, []string{self, "-test.run", exactly(t.Name()), "-test.v", "-test.timeout", privateLimit.String()})
	r, err := host.System().Run(t.Context(), host.Cmd{Path: tools[0], Args: args, Dir: here, Timeout: privateLimit, Limit: privateOutput})
	out := string(r.Stdout) + string(r.Stderr)
	mirror(t, out)
	switch {
	case err != nil:
		t.Fatalf("in a namespace of its own: %v\n%s", err, out)
	case r.Code != 0 && !strings.Contains(out, "=== RUN"): // a test that began and crashed is no lack of anything
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

// Inside reports whether the test runs in a namespace of its own already.
func Inside() bool { return os.Getenv(privateMark) != "" }

// exactly is the pattern that runs one test or one part and nothing beside it.
func exactly(name string) string {
	var parts []string
	for p := range strings.SplitSeq(name, "/") {
		parts = append(parts, "^"+regexp.QuoteMeta(p)+"$")
	}
	return strings.Join(parts, "/")
}

var ended = regexp.MustCompile(`(?m)^\s*--- (PASS|FAIL|SKIP): (\S+) \(`)

// mirror shows the parts that ran inside as parts of the test outside, so that
// each is counted.
func mirror(t *testing.T, out string) {
	t.Helper()
	for _, m := range ended.FindAllStringSubmatch(out, -1) {
		part, found := strings.CutPrefix(m[2], t.Name()+"/")
		if !found || strings.Contains(part, "/") {
			continue
		}
		t.Run(part, func(t *testing.T) {
			switch m[1] {
			case "FAIL":
				t.Error("it failed in a namespace of its own; the output of the whole test tells")
			case "SKIP":
				t.Skip("it was skipped in a namespace of its own")
			}
		})
	}
}
