//go:build !unix

package main

import (
	"os"
	"os/exec"
	"testing"

	"anchorhold.test/anchorhold/trust/trusttest"
)

// taken counts what is read through a named pipe, which only Unix has.
func taken(t *testing.T, _ string) int64 {
	t.Helper()
	trusttest.Lacking(t, "named pipes")
	return 0
}

// peak is not known here.
func peak(*os.ProcessState) int64 { return 0 }

// demote needs accounts as Unix has them.
func demote(t *testing.T, _ *exec.Cmd) {
	t.Helper()
	trusttest.Lacking(t, "accounts of Unix")
}
