package host

import (
	"fmt"
	"io/fs"
	"strconv"
	"strings"
)

// Exposed says that somebody without privileges could replace what a
// privileged run is about to rely on.
type Exposed struct {
	Path string // the element of the real path that is open to others
	Mode fs.FileMode
	UID  uint32
	Why  string
}

func (e *Exposed) Error() string {
	return fmt.Sprintf("%s (mode %04o, owner %d) %s; make it belong to root and writable by root alone", e.Path, e.Mode.Perm(), e.UID, e.Why)
}

// staffRoom is where Debian lets the group 'staff' write, on systems that have
// /etc/staff-group-for-usr-local (Debian Policy 9.1.2).
const staffRoom, staffGroup = "/usr/local", "staff"

// Guarded checks every folder on the real way to name, and what lies at its
// end: owned by an account that the host trusts, and not writable by group or
// others. A folder with the sticky bit may be writable: others can add to it
// and not replace. Notes tell what was tolerated.
func (h *Host) Guarded(name string) (notes []string, err error) {
	notes, _, _, err = h.guarded(name)
	return notes, err
}

func (h *Host) guarded(name string) (notes []string, real string, fi fs.FileInfo, err error) {
	real, fi, err = h.walk(name, func(at string, fi fs.FileInfo) error {
		note, err := h.guard(at, fi)
		if note != "" {
			notes = append(notes, note)
		}
		return err
	})
	return notes, real, fi, err
}

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
