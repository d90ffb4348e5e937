package host

import (
	"fmt"
	"strconv"

	"golang.org/x/sys/unix"
)

// bounder starts a program with bounds on what it may use (prlimit(1), part of
// util-linux). To bound one that runs as another account already would take a
// right of its own, CAP_SYS_RESOURCE (prlimit(2)).
const bounder = "/usr/bin/prlimit"

// The codes with which it ends where it could not start the program.
const notExecutable, notFound = 126, 127

// confined returns the command that runs a program with at most that many
// bytes of data and leaves none of them on disk when it crashes. What it may
// reserve without using it is not bounded: a Java machine reserves far more
// than it has (RLIMIT_DATA: since Linux 4.7 private writable mappings,
// getrlimit(2)).
func confined(c Cmd) (name string, args []string, err error) {
	if c.Path == Self {
		return "", nil, fmt.Errorf("it bounds itself: see Bound")
	}
	return bounder, append([]string{bounder, "--data=" + strconv.FormatInt(c.Memory, 10), "--core=0", c.Path}, c.Args...), nil
}

// Bound bounds this process as [Cmd.Memory] does others, for good.
func Bound(bytes int64) error {
	for what, n := range map[int]uint64{unix.RLIMIT_DATA: uint64(bytes), unix.RLIMIT_CORE: 0} {
		if err := unix.Setrlimit(what, &unix.Rlimit{Cur: n, Max: n}); err != nil {
			return fmt.Errorf("cannot bound the memory of this process: %w", err)
		}
	}
	return nil
}
