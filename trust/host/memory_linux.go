package host

import (
	"errors"
	"fmt"

	"golang.org/x/sys/unix"
)

// confine bounds the data of a program that was just started, and keeps it
// from leaving its memory on disk when it crashes. What it may reserve without
// using it is not bounded: a Java machine reserves far more than it has
// (RLIMIT_DATA, getrlimit(2), since Linux 4.7 private writable mappings). What
// the program had before the bound came is kept; nothing is added to it.
func confine(pid int, bytes int64) error {
	for what, n := range map[int]uint64{unix.RLIMIT_DATA: uint64(bytes), unix.RLIMIT_CORE: 0} {
		err := unix.Prlimit(pid, what, &unix.Rlimit{Cur: n, Max: n}, nil)
		if errors.Is(err, unix.ESRCH) {
			return nil // it has ended already
		}
		if err != nil {
			return fmt.Errorf("cannot bound its memory: %w", err)
		}
	}
	return nil
}
