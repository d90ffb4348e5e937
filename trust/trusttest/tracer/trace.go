package tracer

import (
	"errors"
	"slices"
	"syscall"
)

// Program is what is run. It reads from nothing.
type Program struct {
	Path string
	Args []string // its own name included
	Env  []string
	Dir  string
}

// Action is what happens at one call.
type Action int

// The actions.
const (
	Nothing   Action = iota
	Kill             // all processes end before the call, as by a power switch
	Fail             // the call is not made and fails
	Terminate        // the first process is asked to end (SIGTERM), and the call goes on
	TermGroup        // the process group that makes the call is asked to end, and the call goes on
)

// Options say what to do on the way.
type Options struct {
	At     int // the number of the call, 0 for none
	Do     Action
	Errno  syscall.Errno // with Fail
	Onward bool          // with Fail: every later call that Plausible allows fails too
	Log    bool          // keep what is written
	Each   func(c *Call) // called before every call, in order
	Live   func(pid int) // called once with the first process's number
}

// Run is what was seen.
type Run struct {
	Calls    []Call
	Hit      *Call // the call at Options.At, where the run came to it
	Code     int   // exit code of the first process, -1 where a signal ended it
	Signal   syscall.Signal
	Out, Err []byte // bounded
}

// ErrHung is returned when the limit of the context ended a run.
var ErrHung = errors.New("the traced program did not end in time")

// Plausible reports whether a kernel could answer a call like that.
func Plausible(c *Call, errno syscall.Errno) bool {
	switch errno {
	case syscall.ENOSPC:
		return slices.Contains([]Kind{Write, Mkdir, Link, Symlink, Rename, Truncate, Sync}, c.Kind) || c.Kind == Open
	case syscall.EROFS: // an open file can be written until it is closed
		return c.Kind != Write && c.Kind != Sync
	case syscall.EMFILE:
		return c.Kind == Open
	}
	return true
}
