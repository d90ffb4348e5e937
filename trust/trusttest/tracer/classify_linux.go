package tracer

import (
	"os"
	"path"

	"golang.org/x/sys/unix"
)

// classify returns the call that a process is about to make, or nil where it
// changes nothing.
func classify(pid int, s shape, args [6]uint64) *Call {
	c := &Call{PID: pid, Name: s.name, Kind: s.kind}
	at := func(i int) int32 {
		if i < 0 {
			return unix.AT_FDCWD
		}
		return int32(args[i])
	}
	if s.size >= 0 {
		c.Size = int64(args[s.size])
	}
	switch {
	case s.fd >= 0:
		name, err := os.Readlink(descriptor(pid, at(s.fd)))
		if err != nil {
			return nil // no open file: the call fails by itself
		}
		c.Path = name // no path for a pipe, or what the kernel counts in (eventfd(2))
		is, _ := regular(descriptor(pid, at(s.fd)))
		if !path.IsAbs(name) || kernels(name) || !is && (s.kind == Write || s.kind == Truncate) {
			return nil
		}
	case s.path >= 0:
		c.Path = place(pid, at(s.dir), text(pid, args[s.path]))
		if kernels(c.Path) {
			return nil
		}
	}
	if s.to >= 0 {
		c.To = place(pid, at(s.todr), text(pid, args[s.to]))
	}
	if s.from >= 0 {
		c.From = text(pid, args[s.from])
	}
	if s.kind == Open && !opens(pid, s, args, c) {
		return nil
	}
	c.Program = comm(pid)
	return c
}

// opens reports an open that makes, empties or may write a regular file.
func opens(pid int, s shape, args [6]uint64, c *Call) bool {
	flags := uint64(unix.O_CREAT | unix.O_TRUNC | unix.O_WRONLY)
	switch s.name {
	case "creat":
	case "openat2":
		flags = number(pid, args[2]) // struct open_how begins with them
	default:
		flags = args[flagsArg(s.name)]
	}
	if flags&unix.O_PATH != 0 {
		return false
	}
	is, there := regular(c.Path)
	if there && !is && flags&unix.O_TMPFILE != unix.O_TMPFILE {
		return false
	}
	if !there && flags&(unix.O_CREAT|unix.O_TMPFILE) == 0 {
		return false
	}
	if there && flags&(unix.O_CREAT|unix.O_EXCL) == unix.O_CREAT|unix.O_EXCL {
		return false // fails by itself
	}
	c.Trunc = flags&unix.O_TRUNC != 0
	return !there || flags&unix.O_TRUNC != 0 || flags&unix.O_ACCMODE != unix.O_RDONLY
}
