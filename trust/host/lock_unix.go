//go:build unix

package host

import (
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"

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
	// The process number is a courtesy to whoever waits; the lock is the truth.
	if err := f.Truncate(0); err == nil {
		fmt.Fprintf(f, "%d\n", os.Getpid())
	}
	return &Lock{release: func() error {
		f.Truncate(0)
		return f.Close()
	}}, nil
}

// maxHolder bounds what is read from a lock file.
const maxHolder = 32

func (d *Dir) holder(name string) int {
	data, err := d.ReadFile(name, maxHolder)
	if err != nil {
		return 0
	}
	pid, err := strconv.Atoi(strings.TrimSpace(string(data)))
	if err != nil {
		return 0
	}
	return pid
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
