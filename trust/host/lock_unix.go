//go:build unix

package host

import (
	"errors"
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// lock tries once; a Lock without release says that somebody else has it.
func (d *Dir) lock(name string) (*Lock, error) {
	if err := single(name); err != nil {
		return nil, err
	}
	f, err := d.root.OpenFile(name, os.O_RDWR|os.O_CREATE|nonblock, 0o600)
	if err != nil {
		return nil, err
	}
	err = unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		f.Close()
		return &Lock{}, nil
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	// A lock of the other kind is a courtesy to whoever waits: the kernel tells
	// whose it is (fcntl(2), F_GETLK), so that nothing need be written. The
	// first one is the truth.
	unix.FcntlFlock(f.Fd(), unix.F_SETLK, &unix.Flock_t{Type: unix.F_WRLCK})
	return &Lock{release: f.Close}, nil
}

// holder returns the process that holds a lock, or 0 where the kernel does not
// tell: it never names the process that asks.
func (d *Dir) holder(name string) int {
	f, err := d.root.OpenFile(name, os.O_RDONLY|nonblock, 0)
	if err != nil {
		return 0
	}
	defer f.Close()
	l := unix.Flock_t{Type: unix.F_WRLCK}
	if err := unix.FcntlFlock(f.Fd(), unix.F_GETLK, &l); err != nil || l.Type == unix.F_UNLCK {
		return 0
	}
	return max(int(l.Pid), 0) // -1 for a lock that belongs to no one process
}

// dpkgLocks are the files by which dpkg and its front ends keep others out
// (dpkg's doc/frontend.txt).
var dpkgLocks = []string{"/var/lib/dpkg/lock-frontend", "/var/lib/dpkg/lock"}

// DpkgBusy reports whether a package manager is at work. It tests the locks
// and never takes one. The error is a *[Busy] when one is held.
func (h *Host) DpkgBusy() error {
	for _, name := range dpkgLocks {
		f, err := h.Open(name)
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err != nil {
			return fmt.Errorf("cannot test dpkg's lock: %w", err)
		}
		l := unix.Flock_t{Type: unix.F_WRLCK}
		err = unix.FcntlFlock(f.Fd(), unix.F_GETLK, &l)
		f.Close()
		if err != nil {
			return fmt.Errorf("cannot test dpkg's lock %s: %w", name, err)
		}
		if l.Type != unix.F_UNLCK {
			return &Busy{Path: name, PID: int(l.Pid)}
		}
	}
	return nil
}
