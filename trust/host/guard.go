package host

import (
	"fmt"
	"io/fs"
)

// Exposed says that somebody without privileges could replace what a
// privileged run is about to rely on.
type Exposed struct {
	Path string // the element of the real path that is open to others
	Mode fs.FileMode
	UID  uint32
	Who  string // who owns it, where that is no number
	Why  string
}

func (e *Exposed) Error() string {
	if e.Who != "" {
		return fmt.Sprintf("%s (owner %s) %s; make it belong to Administrators, and writable by them and the system alone", e.Path, e.Who, e.Why)
	}
	return fmt.Sprintf("%s (mode %04o, owner %d) %s; make it belong to root and writable by root alone", e.Path, e.Mode.Perm(), e.UID, e.Why)
}

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
	if err == nil {
		err = h.guardEnd(real, fi)
	}
	return notes, real, fi, err
}
