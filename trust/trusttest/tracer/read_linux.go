package tracer

import (
	"bufio"
	"bytes"
	"fmt"
	"io/fs"
	"os"
	"path"
	"strconv"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

// Bounds of what is read of a traced process.
const (
	maxPath = 4096    // PATH_MAX
	maxData = 8 << 20 // of one write
)

// text reads a string out of a process. It goes page by page: what lies behind
// the string may not be there.
func text(pid int, at uint64) string {
	var out []byte
	page := uint64(os.Getpagesize())
	for len(out) < maxPath {
		buf := make([]byte, page-at%page)
		n, err := unix.ProcessVMReadv(pid, []unix.Iovec{{Base: &buf[0], Len: uint64(len(buf))}},
			[]unix.RemoteIovec{{Base: uintptr(at), Len: len(buf)}}, 0)
		if err != nil || n == 0 {
			return ""
		}
		if end := bytes.IndexByte(buf[:n], 0); end >= 0 {
			return string(append(out, buf[:end]...))
		}
		out, at = append(out, buf[:n]...), at+uint64(n)
	}
	return ""
}

// number reads eight bytes out of a process.
func number(pid int, at uint64) uint64 {
	var buf [8]byte
	n, err := unix.ProcessVMReadv(pid, []unix.Iovec{{Base: &buf[0], Len: 8}}, []unix.RemoteIovec{{Base: uintptr(at), Len: 8}}, 0)
	if err != nil || n != 8 {
		return 0
	}
	var v uint64
	for i := range buf {
		v |= uint64(buf[i]) << (8 * i)
	}
	return v
}

// descriptor is where an open file of a process is found (proc_pid_fd(5)).
func descriptor(pid int, fd int32) string { return fmt.Sprintf("/proc/%d/fd/%d", pid, fd) }

// place returns the absolute path that a process means.
func place(pid int, dir int32, name string) string {
	if path.IsAbs(name) {
		return path.Clean(name)
	}
	at := fmt.Sprintf("/proc/%d/cwd", pid)
	if dir != unix.AT_FDCWD {
		at = descriptor(pid, dir)
	}
	base, err := os.Readlink(at)
	if err != nil {
		return name
	}
	if name == "" {
		return base // AT_EMPTY_PATH
	}
	return path.Join(base, name)
}

// comm is what a process calls itself.
func comm(pid int) string {
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/comm", pid))
	if err != nil {
		return "?"
	}
	return strings.TrimSpace(string(data))
}

// inode is the number of an open file, 0 where it cannot be told.
func inode(pid int, fd int32) uint64 {
	fi, err := os.Stat(descriptor(pid, fd))
	if err != nil {
		return 0
	}
	if st, ok := fi.Sys().(*syscall.Stat_t); ok {
		return st.Ino
	}
	return 0
}

// perm is the mode of a file, its type left out.
func perm(name string) fs.FileMode {
	fi, err := os.Stat(name)
	if err != nil {
		return 0
	}
	return fi.Mode() &^ fs.ModeType
}

// offset is where the next write to an open file goes.
func offset(pid int, fd int32) int64 {
	f, err := os.Open(fmt.Sprintf("/proc/%d/fdinfo/%d", pid, fd))
	if err != nil {
		return 0
	}
	defer f.Close()
	pos, flags := int64(0), int64(0)
	for lines := bufio.NewScanner(f); lines.Scan(); {
		if v, ok := strings.CutPrefix(lines.Text(), "pos:"); ok {
			pos, _ = strconv.ParseInt(strings.TrimSpace(v), 10, 64)
		}
		if v, ok := strings.CutPrefix(lines.Text(), "flags:"); ok {
			flags, _ = strconv.ParseInt(strings.TrimSpace(v), 8, 64)
		}
	}
	if flags&unix.O_APPEND != 0 {
		if fi, err := os.Stat(descriptor(pid, fd)); err == nil {
			return fi.Size()
		}
	}
	return pos
}

// written reads back what a call wrote.
func written(pid int, fd int32, at, n int64) []byte {
	f, err := os.Open(descriptor(pid, fd))
	if err != nil {
		return nil
	}
	defer f.Close()
	buf := make([]byte, min(n, maxData))
	m, err := f.ReadAt(buf, at)
	if err != nil && int64(m) != n {
		return nil
	}
	return buf[:m]
}

// regular reports a file with content of its own: no pipe, no device, and none
// of the kernel's own.
func regular(name string) (is, there bool) {
	fi, err := os.Stat(name)
	if err != nil {
		return false, false
	}
	return fi.Mode().IsRegular(), true
}

func kernels(name string) bool {
	return strings.HasPrefix(name, "/proc/") || strings.HasPrefix(name, "/sys/")
}
