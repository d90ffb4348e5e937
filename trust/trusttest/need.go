package trusttest

import (
	"os"
	"testing"

	"anchorhold.test/anchorhold/trust/host"
)

// folders are where Need looks; those that a tool is run from.
var folders = []string{"/usr/sbin/", "/usr/bin/", "/sbin/", "/bin/"}

// Need returns the paths of programs that a test cannot do without. Where one
// is missing the test is skipped on somebody's own machine, and fails where
// CI=true says that everything must be there.
func Need(t testing.TB, programs ...string) []string {
	t.Helper()
	var paths []string
	for _, p := range programs {
		found := ""
		for _, dir := range folders {
			if _, err := host.System().Stat(dir + p); err == nil {
				found = dir + p
				break
			}
		}
		if found == "" {
			Lacking(t, "the program "+p)
		}
		paths = append(paths, found)
	}
	return paths
}

// Lacking skips a test for want of something, or fails it where CI=true.
func Lacking(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf("this test needs %s, and CI=true says that it is there", what)
	}
	t.Skipf("this test needs %s", what)
}
