package host

import (
	"context"
	"fmt"
	"path"
	"time"
)

// Self as the path of a command runs the program that is running, also as an
// account that cannot reach its file.
const Self = "/proc/self/exe"

// Limits of a command that names none.
const (
	DefaultLimit   = 1 << 20
	DefaultTimeout = time.Minute
)

// Cmd is a program to run: no shell, no search path, and exactly the
// environment PATH=/usr/sbin:/usr/bin:/sbin:/bin LC_ALL=C TMPDIR=Temp (an
// empty one silently breaks dpkg's hooks).
type Cmd struct {
	Path    string
	Args    []string      // without the program's own name
	Dir     string        // working folder, "/" where empty
	Stdin   []byte        // nothing where empty
	Limit   int64         // bytes kept of each output, DefaultLimit where 0
	Timeout time.Duration // DefaultTimeout where 0
	Temp    string        // folder for temporary files, "/tmp" where empty
	As      *Account      // whom to run as, ourselves where nil
	Memory  int64         // bytes of data that it may have, unbounded where 0; not for one that is spared
	// Spare leaves the program running at the limit, and pays no heed to the
	// context: for programs that leave a mess when they are ended.
	Spare bool
}

// Result is how a program ended.
type Result struct {
	Stdout, Stderr []byte
	Truncated      bool // an output was longer than the limit
	Code           int
}

// StillRunning is the error for a program that was spared at its limit.
type StillRunning struct {
	Path string
	PID  int
	For  time.Duration
}

func (s *StillRunning) Error() string {
	return fmt.Sprintf("%s (process %d) still runs after %s", s.Path, s.PID, s.For)
}

// Run runs a program to its end. The error says that it could not be started
// or did not end by itself; an exit code other than 0 is no error, and 0 no
// success. The program and every folder on its real path must be [Host.Guarded].
// Its process group is its own; at the limit the whole group is ended.
func (h *Host) Run(ctx context.Context, c Cmd) (Result, error) {
	if !path.IsAbs(c.Path) {
		return Result{}, fmt.Errorf("cannot run %q: not an absolute path", c.Path)
	}
	if c.Limit <= 0 {
		c.Limit = DefaultLimit
	}
	if c.Timeout <= 0 {
		c.Timeout = DefaultTimeout
	}
	for _, name := range []string{c.Path, bounder} {
		if name == "" || name == Self || name == bounder && c.Memory == 0 {
			continue
		}
		if _, err := h.Guarded(name); err != nil {
			return Result{}, fmt.Errorf("cannot run %s: %w", c.Path, err)
		}
	}
	if err := ctx.Err(); err != nil {
		return Result{}, fmt.Errorf("cannot run %s: %w", c.Path, err)
	}
	if err := h.step("run", c.Path); err != nil {
		return Result{}, fmt.Errorf("cannot run %s: %w", c.Path, err)
	}
	run := h.Tool
	if run == nil {
		if !h.Live() {
			return Result{}, fmt.Errorf("cannot run %s: %w", c.Path, ErrElsewhere)
		}
		run = runProgram
	}
	r, err := run(ctx, c)
	if err != nil {
		return r, fmt.Errorf("cannot run %s: %w", c.Path, err)
	}
	return r, nil
}
