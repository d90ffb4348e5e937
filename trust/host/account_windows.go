package host

import (
	"fmt"
	"strings"

	"golang.org/x/sys/windows"
)

// Names of accounts by which a child can run here.
const (
	// Restricted is as few rights as this process can give: LocalService's
	// where the system itself runs it, else its own account's without what
	// makes that an administrator.
	Restricted     = "restricted"
	localService   = "LocalService"
	networkService = "NetworkService"
	system         = "S-1-5-18"
)

// noUID stands where an account has no number; it is not root's.
const noUID = ^uint32(0)

// Privileged reports whether this process may do what administrators may.
func Privileged() bool {
	return windows.GetCurrentProcessToken().IsElevated() || selfSID() == system
}

// Account looks an account up by which a child can run. Windows runs nothing as
// anybody else without his password. A settings file that was made elsewhere
// says "nobody" for the account of least rights.
func (h *Host) Account(name string) (*Account, error) {
	if !h.Live() {
		return nil, fmt.Errorf("cannot look account %q up: %w", name, ErrElsewhere)
	}
	asSystem := selfSID() == system
	short := strings.TrimPrefix(strings.ToLower(strings.ReplaceAll(name, " ", "")), `ntauthority\`)
	switch {
	case (short == Restricted || short == "nobody") && !asSystem:
		return &Account{Name: Restricted, UID: noUID, GID: noUID}, nil
	case short == Restricted, short == "nobody", short == "localservice":
		name = localService
	case short == "networkservice":
		name = networkService
	default:
		return nil, fmt.Errorf("cannot run anything as %q: Windows does so for %s, %s and %s alone, and for others with their password", name, Restricted, localService, networkService)
	}
	if !asSystem {
		return nil, fmt.Errorf("cannot run anything as %s: only the system itself (LocalSystem) can, as the service does; use the account %s here", name, Restricted)
	}
	return &Account{Name: name, UID: noUID, GID: noUID}, nil
}
