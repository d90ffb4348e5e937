//go:build unix

package host

import (
	"fmt"
	"io/fs"
	"strconv"
	"strings"
)

// staffRoom is where Debian lets the group 'staff' write, on systems that have
// /etc/staff-group-for-usr-local (Debian Policy 9.1.2).
const staffRoom, staffGroup = "/usr/local", "staff"

func (h *Host) guard(at string, fi fs.FileInfo) (note string, err error) {
	uid, gid, known := owner(fi)
	if !known {
		return "", fmt.Errorf("cannot tell who owns %s: %w", at, ErrUnsupported)
	}
	if !h.trusts(uid) {
		return "", &Exposed{Path: at, Mode: fi.Mode(), UID: uid, Why: "belongs to an account without privileges"}
	}
	perm := fi.Mode().Perm()
	if fi.IsDir() && fi.Mode()&fs.ModeSticky != 0 {
		return "", nil
	}
	if perm&0o002 != 0 {
		return "", &Exposed{Path: at, Mode: fi.Mode(), UID: uid, Why: "can be written by every account"}
	}
	if perm&0o020 == 0 || gid == 0 {
		return "", nil
	}
	if staff, ok := h.group(staffGroup); ok && gid == staff && fi.IsDir() && (at == staffRoom || strings.HasPrefix(at, staffRoom+"/")) {
		return fmt.Sprintf("%s can be written by the group staff: its members can add roots", at), nil
	}
	return "", &Exposed{Path: at, Mode: fi.Mode(), UID: uid, Why: fmt.Sprintf("can be written by group %d", gid)}
}

// maxGroups bounds the file of groups, in bytes.
const maxGroups = 4 << 20

// group looks a group up in the host's own file (group(5)).
func (h *Host) group(name string) (uint32, bool) {
	data, err := h.ReadFile("/etc/group", maxGroups)
	if err != nil {
		return 0, false
	}
	for line := range strings.Lines(string(data)) {
		f := strings.Split(strings.TrimSpace(line), ":")
		if len(f) >= 3 && f[0] == name {
			gid, err := strconv.ParseUint(f[2], 10, 32)
			return uint32(gid), err == nil
		}
	}
	return 0, false
}

// guardEnd has nothing to add: what may not be written on the way may not be at
// its end.
func (h *Host) guardEnd(string, fs.FileInfo) error { return nil }
