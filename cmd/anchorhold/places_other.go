//go:build !windows

package main

import (
	"errors"
	"fmt"
	"io/fs"

	"anchorhold.test/anchorhold/trust/host"
)

// Places on a host.
const (
	settingsPath = "/etc/anchorhold/agent.toml"
	statePath    = "/var/lib/anchorhold"
)

// onlyRoot refuses a command to whoever may not change the machine.
const onlyRoot = "only root may do this: sudo anchorhold %s"

// maxMachineID bounds machine-id(5), in bytes.
const maxMachineID = 1 << 10

// ownID is what the machine calls itself; nil where it has no name.
func ownID(h *host.Host) ([]byte, error) {
	id, err := h.ReadFile("/etc/machine-id", maxMachineID)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("cannot read the machine's own id: %w", err)
	}
	return id, nil
}

// here says a command as it is typed on this system.
func here(text string) string { return text }
