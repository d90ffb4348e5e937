package tracer

import (
	"fmt"
	"os"
	"runtime"
	"slices"
	"unsafe"

	"golang.org/x/sys/unix"
)

// shim as the first argument lets a test program become another one that tells
// its tracer of calls that may change something, and of no other: stopping at
// each of them costs ten times as much.
const shim = "tracer-shim"

// Main comes first in TestMain of whatever uses Trace. It does nothing unless
// Trace started this program to become another one.
func Main() {
	if len(os.Args) < 3 || os.Args[1] != shim {
		return
	}
	runtime.LockOSThread() // a filter is a thread's own, and exec(2) keeps that of the caller
	err := install(filter(table()))
	if err == nil {
		err = unix.Exec(os.Args[2], os.Args[3:], os.Environ())
	}
	fmt.Fprintf(os.Stderr, "cannot become %s: %v\n", os.Args[2], err)
	os.Exit(127)
}

func install(f []unix.SockFilter) error {
	prog := unix.SockFprog{Len: uint16(len(f)), Filter: &f[0]}
	if os.Geteuid() != 0 { // seccomp(2) wants that of whoever has no privileges
		if err := unix.Prctl(unix.PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0); err != nil {
			return err
		}
	}
	_, _, errno := unix.RawSyscall(unix.SYS_SECCOMP, unix.SECCOMP_SET_MODE_FILTER, 0, uintptr(unsafe.Pointer(&prog)))
	runtime.KeepAlive(f)
	if errno != 0 {
		return errno
	}
	return nil
}

// Offsets in struct seccomp_data, of which the lower half of an argument comes
// first on machines of this byte order (seccomp(2)).
const (
	atNumber = 0
	atArch   = 4
	atArgs   = 16
)

// mayWrite are the flags of an open that may change something.
const mayWrite = unix.O_WRONLY | unix.O_RDWR | unix.O_CREAT | unix.O_TRUNC | unix.O_TMPFILE&^unix.O_DIRECTORY

// filter is a program for the kernel (bpf in seccomp(2)): calls of the table
// stop for the tracer, an open only with a flag that may change something.
func filter(calls map[uint64]shape) []unix.SockFilter {
	var plain, opens []uint64
	for n, s := range calls {
		if s.kind == Open && s.name != "creat" && s.name != "openat2" {
			opens = append(opens, n)
		} else {
			plain = append(plain, n)
		}
	}
	slices.Sort(plain)
	slices.Sort(opens)
	load := func(at uint32) unix.SockFilter {
		return unix.SockFilter{Code: unix.BPF_LD | unix.BPF_W | unix.BPF_ABS, K: at}
	}
	end := 3 + 3*len(opens) + len(plain) // allow stands there, trace behind it
	jump := func(f []unix.SockFilter, how uint16, k uint32, yes, no int) []unix.SockFilter {
		from := len(f) + 1
		return append(f, unix.SockFilter{Code: unix.BPF_JMP | unix.BPF_K | how, Jt: uint8(yes - from), Jf: uint8(no - from), K: k})
	}
	f := []unix.SockFilter{load(atArch)}
	f = jump(f, unix.BPF_JEQ, arch, len(f)+1, end)
	f = append(f, load(atNumber))
	for _, n := range opens {
		f = jump(f, unix.BPF_JEQ, uint32(n), len(f)+1, len(f)+3)
		f = append(f, load(uint32(atArgs+8*flagsArg(calls[n].name))))
		f = jump(f, unix.BPF_JSET, mayWrite, end+1, end)
	}
	for _, n := range plain {
		f = jump(f, unix.BPF_JEQ, uint32(n), end+1, len(f)+1)
	}
	return append(f,
		unix.SockFilter{Code: unix.BPF_RET | unix.BPF_K, K: unix.SECCOMP_RET_ALLOW},
		unix.SockFilter{Code: unix.BPF_RET | unix.BPF_K, K: unix.SECCOMP_RET_TRACE})
}
