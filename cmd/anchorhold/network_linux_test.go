package main

import (
	"os"
	"testing"

	"anchorhold.test/anchorhold/trust/trusttest"
)

// onNetwork is onMachine with a network of its own, in which names of the
// Harbour lead to this machine.
func onNetwork(t *testing.T) bool {
	t.Helper()
	if testing.Short() {
		t.Skip("it refreshes a real store: not in a -short run")
	}
	if os.Geteuid() != 0 {
		trusttest.Lacking(t, "root: it works on a machine of its own")
	}
	trusttest.Need(t, "update-ca-certificates")
	if !trusttest.PrivateNetwork(t, programPath+"="+program(t)) {
		return false
	}
	install(t)
	write(t, "/etc/hosts", "127.0.0.1 localhost tide.harbour.test quay.harbour.test\n::1 localhost\n", 0o644)
	return true
}
