package main

import "testing"

// onNetwork is onMachine where names of the Harbour lead to the machine.
func onNetwork(t *testing.T) bool {
	t.Helper()
	if !onMachine(t) {
		return false
	}
	write(t, "/etc/hosts", "127.0.0.1 localhost tide.harbour.test quay.harbour.test\n::1 localhost\n", 0o644)
	return true
}
