package tracer

import (
	"unsafe"

	"golang.org/x/sys/unix"
)

// arch is this architecture as seccomp(2) calls it.
const arch = unix.AUDIT_ARCH_AARCH64

func table() map[uint64]shape { return common() }

// Where an open has its flags.
func flagsArg(string) int { return 2 }

// skip keeps a call from being made: the kernel knows no call of that number
// (ptrace(2), NT_ARM_SYSTEM_CALL).
func skip(pid int) error {
	number := int32(-1)
	v := unix.Iovec{Base: (*byte)(unsafe.Pointer(&number)), Len: 4}
	return request(unix.PTRACE_SETREGSET, pid, unix.NT_ARM_SYSTEM_CALL, uintptr(unsafe.Pointer(&v)))
}

// answer sets what a call returns.
func answer(pid int, v int64) error {
	var r unix.PtraceRegs
	if err := unix.PtraceGetRegs(pid, &r); err != nil {
		return err
	}
	r.Regs[0] = uint64(v)
	return unix.PtraceSetRegs(pid, &r)
}
