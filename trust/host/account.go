package host

import (
	"fmt"
	"io/fs"
	"os/user"
	"strconv"
)

// Account is somebody who runs programs.
type Account struct {
	Name   string
	UID    uint32
	GID    uint32
	Groups []uint32
}

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

// OwnerOf names the account that owns a file: by its name where the running
// machine knows one, else by its number; "" where that is not known at all.
func (h *Host) OwnerOf(fi fs.FileInfo) string {
	uid, _, known := owner(fi)
	if !known {
		return ""
	}
	id := strconv.FormatUint(uint64(uid), 10)
	if h.Live() {
		if u, err := user.LookupId(id); err == nil {
			return u.Username + " (uid " + id + ")"
		}
	}
	return "uid " + id
}

func number(s string) (uint32, error) {
	n, err := strconv.ParseUint(s, 10, 32)
	if err != nil {
		return 0, fmt.Errorf("%q is no number: %w", s, ErrUnsupported)
	}
	return uint32(n), nil
}
