package host

import (
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
