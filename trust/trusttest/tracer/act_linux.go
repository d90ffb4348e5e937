package tracer

import (
	"syscall"

	"golang.org/x/sys/unix"
)

// enter counts a call before it is made, and acts where it is the one.
func (t *tracer) enter(pid int, me *tracee) {
	in, ok := look(pid)
	s, known := t.table[in.number]
	if !ok || !known || in.op != unix.PTRACE_SYSCALL_INFO_SECCOMP {
		return
	}
	args := in.args
	c := classify(pid, s, args)
	if c == nil {
		return
	}
	c.N = len(t.run.Calls) + 1
	if t.Log && s.fd >= 0 {
		c.Inode, c.At = inode(pid, int32(args[s.fd])), offset(pid, int32(args[s.fd]))
		if s.name == "pwrite64" || s.name == "pwritev" || s.name == "pwritev2" {
			c.At = int64(args[3])
		}
	}
	if t.Each != nil {
		t.Each(c)
	}
	t.run.Calls = append(t.run.Calls, *c)
	me.call, me.args, me.fail = c, args, 0
	switch {
	case c.N == t.At:
		t.run.Hit = c
		t.act(pid, me)
	case t.failed && t.Onward && Plausible(c, t.Errno):
		t.refuse(pid, me)
	}
}

func (t *tracer) act(pid int, me *tracee) {
	switch t.Do {
	case Kill:
		t.dying = true
		skip(pid)
		t.killAll()
	case Fail:
		t.failed = true
		t.refuse(pid, me)
	case Terminate:
		unix.Kill(t.first, unix.SIGTERM)
	case TermGroup:
		if group, err := unix.Getpgid(pid); err == nil && group > 1 {
			unix.Kill(-group, unix.SIGTERM)
		}
	}
}

func (t *tracer) refuse(pid int, me *tracee) {
	if skip(pid) == nil {
		me.fail = t.Errno
	}
}

// leave takes down how a call ended.
func (t *tracer) leave(pid int, me *tracee) {
	in, ok := look(pid)
	if !ok || in.op != unix.PTRACE_SYSCALL_INFO_EXIT {
		return
	}
	c, result := me.call, int64(in.number)
	me.call = nil
	if me.fail != 0 {
		answer(pid, -int64(me.fail))
		result = -int64(me.fail)
	}
	noted := &t.run.Calls[c.N-1]
	noted.Result = result
	if !t.Log || result < 0 {
		return
	}
	switch c.Kind {
	case Open:
		noted.Inode, noted.Perm = inode(pid, int32(result)), perm(descriptor(pid, int32(result)))
	case Mkdir:
		noted.Perm = perm(c.Path)
	case Mode:
		noted.Perm = perm(c.Path)
		if c.Inode != 0 {
			noted.Perm = perm(descriptor(pid, int32(me.args[0])))
		}
	case Write:
		noted.Size = result
		fd := int32(me.args[t.fdArg(c.Name)])
		noted.Data = written(pid, fd, c.At, result)
	}
}

// fdArg is the argument with the open file of a call of that name.
func (t *tracer) fdArg(name string) int {
	for _, s := range t.table {
		if s.name == name {
			return max(s.fd, 0)
		}
	}
	return 0
}

// Errno returns why a call failed, or 0.
func (c Call) Errno() syscall.Errno {
	if c.Result < 0 {
		return syscall.Errno(-c.Result)
	}
	return 0
}
