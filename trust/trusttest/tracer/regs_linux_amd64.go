package tracer

import "golang.org/x/sys/unix"

// arch is this architecture as seccomp(2) calls it.
const arch = unix.AUDIT_ARCH_X86_64

// table is common and what only this architecture has.
func table() map[uint64]shape {
	t := common()
	t[unix.SYS_OPEN] = onPath("open", Open, -1, 0)
	t[unix.SYS_CREAT] = onPath("creat", Open, -1, 0)
	t[unix.SYS_RENAME] = onTwo("rename", Rename, -1, 0, -1, 1)
	t[unix.SYS_UNLINK] = onPath("unlink", Unlink, -1, 0)
	t[unix.SYS_RMDIR] = onPath("rmdir", Unlink, -1, 0)
	t[unix.SYS_MKDIR] = onPath("mkdir", Mkdir, -1, 0)
	t[unix.SYS_MKNOD] = onPath("mknod", Mkdir, -1, 0)
	t[unix.SYS_LINK] = onTwo("link", Link, -1, 0, -1, 1)
	t[unix.SYS_SYMLINK] = symlink("symlink", 0, -1, 1)
	t[unix.SYS_CHMOD] = onPath("chmod", Mode, -1, 0)
	t[unix.SYS_CHOWN] = onPath("chown", Mode, -1, 0)
	t[unix.SYS_LCHOWN] = onPath("lchown", Mode, -1, 0)
	t[unix.SYS_UTIME] = onPath("utime", Mode, -1, 0)
	t[unix.SYS_UTIMES] = onPath("utimes", Mode, -1, 0)
	t[unix.SYS_FUTIMESAT] = onPath("futimesat", Mode, 0, 1)
	return t
}

// Where an open has its flags, by its shape's name; openat2 points to them.
func flagsArg(name string) int {
	if name == "open" {
		return 1
	}
	return 2
}

// skip keeps a call from being made: the kernel knows no call of that number.
func skip(pid int) error {
	var r unix.PtraceRegs
	if err := unix.PtraceGetRegs(pid, &r); err != nil {
		return err
	}
	r.Orig_rax = ^uint64(0)
	return unix.PtraceSetRegs(pid, &r)
}

// answer sets what a call returns.
func answer(pid int, v int64) error {
	var r unix.PtraceRegs
	if err := unix.PtraceGetRegs(pid, &r); err != nil {
		return err
	}
	r.Rax = uint64(v)
	return unix.PtraceSetRegs(pid, &r)
}
