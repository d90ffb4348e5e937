//go:build !unix

package main

import (
	"testing"

	"anchorhold.test/anchorhold/trust/trusttest"
)

// taken counts what is read through a named pipe, which only Unix has.
func taken(t *testing.T, _ string) int64 {
	t.Helper()
	trusttest.Lacking(t, "named pipes")
	return 0
}
