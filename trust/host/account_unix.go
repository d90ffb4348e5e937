//go:build unix

package host

import (
	"fmt"
	"os"
	"os/user"
	"strconv"
)

// Privileged reports whether this process may do whatever it likes.
func Privileged() bool { return os.Geteuid() == 0 }

// Account looks an account of the running machine up by name.
func (h *Host) Account(name string) (*Account, error) {
	if !h.Live() {
		return nil, fmt.Errorf("cannot look account %q up: %w", name, ErrElsewhere)
	}
	u, err := user.Lookup(name)
	if err != nil {
		return nil, fmt.Errorf("cannot look account %q up: %w", name, err)
	}
	a := &Account{Name: u.Username}
	if a.UID, err = number(u.Uid); err != nil {
		return nil, fmt.Errorf("cannot look account %q up: %w", name, err)
	}
	if a.GID, err = number(u.Gid); err != nil {
		return nil, fmt.Errorf("cannot look account %q up: %w", name, err)
	}
	groups, err := u.GroupIds()
	if err != nil {
		return nil, fmt.Errorf("cannot look the groups of account %q up: %w", name, err)
	}
	for _, g := range groups {
		gid, err := number(g)
		if err != nil {
			return nil, fmt.Errorf("cannot look the groups of account %q up: %w", name, err)
		}
		a.Groups = append(a.Groups, gid)
	}
	return a, nil
}

func number(s string) (uint32, error) {
	n, err := strconv.ParseUint(s, 10, 32)
	if err != nil {
		return 0, fmt.Errorf("%q is no number: %w", s, ErrUnsupported)
	}
	return uint32(n), nil
}
