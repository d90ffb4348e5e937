package tracer

import "golang.org/x/sys/unix"

// shape says where the arguments of a system call are.
type shape struct {
	name string
	kind Kind
	fd   int // argument with the open file, or -1
	dir  int // argument with the folder of path, or -1 for the working folder
	path int // argument with a path, or -1
	todr int // the same for the second path
	to   int
	from int // argument with what a symbolic link says, or -1
	size int // argument with a length, or -1
}

func onPath(name string, kind Kind, dir, path int) shape {
	return shape{name: name, kind: kind, fd: -1, dir: dir, path: path, todr: -1, to: -1, from: -1, size: -1}
}

func onFile(name string, kind Kind, fd, size int) shape {
	return shape{name: name, kind: kind, fd: fd, dir: -1, path: -1, todr: -1, to: -1, from: -1, size: size}
}

func onTwo(name string, kind Kind, dir, path, todr, to int) shape {
	s := onPath(name, kind, dir, path)
	s.todr, s.to = todr, to
	return s
}

func symlink(name string, from, dir, path int) shape {
	s := onPath(name, Symlink, dir, path)
	s.from = from
	return s
}

// common are the system calls of every architecture (syscalls(2)).
func common() map[uint64]shape {
	return map[uint64]shape{
		unix.SYS_OPENAT:          onPath("openat", Open, 0, 1),
		unix.SYS_OPENAT2:         onPath("openat2", Open, 0, 1),
		unix.SYS_WRITE:           onFile("write", Write, 0, 2),
		unix.SYS_PWRITE64:        onFile("pwrite64", Write, 0, 2),
		unix.SYS_WRITEV:          onFile("writev", Write, 0, -1),
		unix.SYS_PWRITEV:         onFile("pwritev", Write, 0, -1),
		unix.SYS_PWRITEV2:        onFile("pwritev2", Write, 0, -1),
		unix.SYS_SENDFILE:        onFile("sendfile", Write, 0, 3),
		unix.SYS_SPLICE:          onFile("splice", Write, 2, 4),
		unix.SYS_COPY_FILE_RANGE: onFile("copy_file_range", Write, 2, 4),
		unix.SYS_FALLOCATE:       onFile("fallocate", Truncate, 0, 3),
		unix.SYS_FTRUNCATE:       onFile("ftruncate", Truncate, 0, 1),
		unix.SYS_TRUNCATE:        onPath("truncate", Truncate, -1, 0),
		unix.SYS_RENAMEAT:        onTwo("renameat", Rename, 0, 1, 2, 3),
		unix.SYS_RENAMEAT2:       onTwo("renameat2", Rename, 0, 1, 2, 3),
		unix.SYS_UNLINKAT:        onPath("unlinkat", Unlink, 0, 1),
		unix.SYS_MKDIRAT:         onPath("mkdirat", Mkdir, 0, 1),
		unix.SYS_MKNODAT:         onPath("mknodat", Mkdir, 0, 1),
		unix.SYS_LINKAT:          onTwo("linkat", Link, 0, 1, 2, 3),
		unix.SYS_SYMLINKAT:       symlink("symlinkat", 0, 1, 2),
		unix.SYS_FCHMOD:          onFile("fchmod", Mode, 0, -1),
		unix.SYS_FCHMODAT:        onPath("fchmodat", Mode, 0, 1),
		unix.SYS_FCHMODAT2:       onPath("fchmodat2", Mode, 0, 1),
		unix.SYS_FCHOWN:          onFile("fchown", Mode, 0, -1),
		unix.SYS_FCHOWNAT:        onPath("fchownat", Mode, 0, 1),
		unix.SYS_UTIMENSAT:       onPath("utimensat", Mode, 0, 1),
		unix.SYS_SETXATTR:        onPath("setxattr", Mode, -1, 0),
		unix.SYS_LSETXATTR:       onPath("lsetxattr", Mode, -1, 0),
		unix.SYS_FSETXATTR:       onFile("fsetxattr", Mode, 0, -1),
		unix.SYS_REMOVEXATTR:     onPath("removexattr", Mode, -1, 0),
		unix.SYS_LREMOVEXATTR:    onPath("lremovexattr", Mode, -1, 0),
		unix.SYS_FREMOVEXATTR:    onFile("fremovexattr", Mode, 0, -1),
		unix.SYS_FSYNC:           onFile("fsync", Sync, 0, -1),
		unix.SYS_FDATASYNC:       onFile("fdatasync", Sync, 0, -1),
		unix.SYS_SYNC_FILE_RANGE: onFile("sync_file_range", Sync, 0, -1),
		unix.SYS_SYNCFS:          onFile("syncfs", Sync, 0, -1),
	}
}
