package tracer

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"sync"
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"
)

// maxOutput bounds what is kept of each output.
const maxOutput = 1 << 20

// request is ptrace(2).
func request(what, pid int, addr, data uintptr) error {
	_, _, errno := unix.Syscall6(unix.SYS_PTRACE, uintptr(what), uintptr(pid), addr, data, 0, 0)
	if errno != 0 {
		return errno
	}
	return nil
}

// tracee is what is known of one thread.
type tracee struct {
	born bool  // whoever started it told so
	call *Call // under way
	args [6]uint64
	fail syscall.Errno // what the call is to return
}

type tracer struct {
	Options
	run    Run
	table  map[uint64]shape
	first  int
	all    map[int]*tracee
	gone   map[int]bool // ended before anybody told that they were born
	dying  bool
	failed bool // Fail has begun

	mu    sync.Mutex // over alive and hung
	alive map[int]bool
	hung  bool
}

// Trace runs a program to its end, and everything that it started to theirs. No
// other child of this process should end meanwhile: the thread that waits here
// may be the one that started it.
func Trace(ctx context.Context, p Program, o Options) (Run, error) {
	type result struct {
		run Run
		err error
	}
	done := make(chan result, 1)
	go func() {
		runtime.LockOSThread() // ptrace belongs to a thread; it ends with this one
		t := &tracer{Options: o, table: table(), all: map[int]*tracee{}, gone: map[int]bool{}, alive: map[int]bool{}}
		stop := context.AfterFunc(ctx, t.giveUp)
		defer stop()
		err := t.trace(p)
		done <- result{t.run, err}
	}()
	r := <-done
	return r.run, r.err
}

func (t *tracer) trace(p Program) error {
	out, wait, err := outputs()
	if err != nil {
		return err
	}
	err = t.start(p, out)
	for _, f := range out {
		f.Close()
	}
	if err == nil {
		err = t.loop()
	}
	t.run.Out, t.run.Err = wait()
	return err
}

// outputs are pipes that somebody empties.
func outputs() (ends [2]*os.File, wait func() (out, err []byte), err error) {
	var bufs [2]bytes.Buffer
	var wg sync.WaitGroup
	for i := range ends {
		r, w, err := os.Pipe()
		if err != nil {
			return ends, nil, err
		}
		ends[i] = w
		wg.Go(func() {
			defer r.Close()
			io.CopyN(&bufs[i], r, maxOutput)
			io.Copy(io.Discard, r)
		})
	}
	return ends, func() ([]byte, []byte) { wg.Wait(); return bufs[0].Bytes(), bufs[1].Bytes() }, nil
}

const options = unix.PTRACE_O_TRACESYSGOOD | unix.PTRACE_O_TRACEFORK | unix.PTRACE_O_TRACEVFORK |
	unix.PTRACE_O_TRACECLONE | unix.PTRACE_O_TRACEEXEC | unix.PTRACE_O_TRACESECCOMP | unix.PTRACE_O_EXITKILL

// start starts the program and seizes it before its first instruction. A child
// that asks to be traced stops when it becomes the program; it is let go
// stopped, and seized (ptrace(2): only who is seized tells a stop of its group
// from a signal).
func (t *tracer) start(p Program, out [2]*os.File) error {
	null, err := os.Open(os.DevNull)
	if err != nil {
		return err
	}
	defer null.Close()
	const self = "/proc/self/exe"
	proc, err := os.StartProcess(self, append([]string{self, shim, p.Path}, p.Args...), &os.ProcAttr{Dir: p.Dir, Env: p.Env, Files: []*os.File{null, out[0], out[1]},
		Sys: &syscall.SysProcAttr{Ptrace: true, Setpgid: true}})
	if err != nil {
		return fmt.Errorf("cannot start %s: %w", p.Path, err)
	}
	t.first = proc.Pid
	proc.Release()
	if err := t.seize(); err != nil {
		unix.Kill(t.first, unix.SIGKILL)
		unix.Wait4(t.first, nil, 0, nil)
		return fmt.Errorf("cannot trace %s: %w", p.Path, err)
	}
	t.know(t.first).born = true
	if t.Live != nil {
		t.Live(t.first)
	}
	return nil
}

func (t *tracer) seize() error {
	var ws unix.WaitStatus
	if _, err := unix.Wait4(t.first, &ws, 0, nil); err != nil {
		return err
	}
	if err := request(unix.PTRACE_DETACH, t.first, 0, uintptr(unix.SIGSTOP)); err != nil {
		return err
	}
	if _, err := unix.Wait4(t.first, &ws, unix.WUNTRACED, nil); err != nil {
		return err
	}
	if err := request(unix.PTRACE_SEIZE, t.first, 0, options); err != nil {
		return err
	}
	return unix.Kill(t.first, unix.SIGCONT)
}

func (t *tracer) know(pid int) *tracee {
	if t.all[pid] == nil {
		t.all[pid] = &tracee{}
		t.mu.Lock()
		t.alive[pid] = true
		t.mu.Unlock()
	}
	return t.all[pid]
}

func (t *tracer) forget(pid int) {
	delete(t.all, pid)
	t.mu.Lock()
	delete(t.alive, pid)
	t.mu.Unlock()
}

// killAll ends every thread that is known; who is born meanwhile dies when it
// first stops.
func (t *tracer) killAll() {
	t.mu.Lock()
	defer t.mu.Unlock()
	for pid := range t.alive {
		unix.Kill(pid, unix.SIGKILL)
	}
}

func (t *tracer) giveUp() {
	t.mu.Lock()
	t.hung = true
	t.mu.Unlock()
	t.killAll()
}

// loop waits for stops until nobody is left. Only this thread's own children
// are waited for: others belong to somebody else in this process.
func (t *tracer) loop() error {
	for len(t.all) > 0 {
		var ws unix.WaitStatus
		pid, err := unix.Wait4(-1, &ws, unix.WALL|unix.WNOTHREAD, nil)
		if errors.Is(err, unix.EINTR) {
			continue
		}
		if errors.Is(err, unix.ECHILD) {
			break
		}
		if err != nil {
			return fmt.Errorf("cannot wait for traced programs: %w", err)
		}
		t.mu.Lock()
		hung := t.hung
		t.mu.Unlock()
		if ws.Exited() || ws.Signaled() {
			t.ended(pid, ws)
			continue
		}
		me := t.know(pid)
		if t.dying || hung {
			unix.Kill(pid, unix.SIGKILL)
			continue
		}
		t.stopped(pid, me, ws)
	}
	if t.hung {
		return ErrHung
	}
	return nil
}

func (t *tracer) ended(pid int, ws unix.WaitStatus) {
	if me := t.all[pid]; me == nil || !me.born {
		t.gone[pid] = true
	}
	t.forget(pid)
	if pid != t.first {
		return
	}
	t.run.Code = ws.ExitStatus()
	if ws.Signaled() {
		t.run.Code, t.run.Signal = -1, ws.Signal()
	}
}

// stopped lets one thread go on, with what it stopped for.
func (t *tracer) stopped(pid int, me *tracee, ws unix.WaitStatus) {
	signal, event := ws.StopSignal(), int(uint32(ws)>>16)
	switch {
	case event == unix.PTRACE_EVENT_STOP && signal != unix.SIGTRAP:
		request(unix.PTRACE_LISTEN, pid, 0, 0) // its group was stopped: so it stays, and tells when it goes on
		return
	case event == unix.PTRACE_EVENT_EXEC:
		if was, err := unix.PtraceGetEventMsg(pid); err == nil && int(was) != pid {
			t.forget(int(was)) // another thread became the program, under the first one's number
		}
		me.call = nil
	case event == unix.PTRACE_EVENT_SECCOMP:
		t.enter(pid, me)
		if t.dying {
			return
		}
		if me.call != nil {
			unix.PtraceSyscall(pid, 0) // it stops again when the call is made
			return
		}
	case event == unix.PTRACE_EVENT_FORK, event == unix.PTRACE_EVENT_VFORK, event == unix.PTRACE_EVENT_CLONE:
		if born, err := unix.PtraceGetEventMsg(pid); err == nil {
			if !t.gone[int(born)] {
				t.know(int(born)).born = true
			}
			delete(t.gone, int(born))
		}
	case event != 0:
	case signal == unix.SIGTRAP|0x80:
		if me.call != nil {
			t.leave(pid, me)
		}
	default:
		unix.PtraceCont(pid, int(signal)) // a signal, delivered
		return
	}
	unix.PtraceCont(pid, 0)
}

// info is struct ptrace_syscall_info of linux/ptrace.h.
type info struct {
	op     uint8
	_      [3]uint8
	_      uint32
	_, _   uint64
	number uint64 // or the result
	args   [6]uint64
	_      [2]uint64
}

// look tells what a thread that stopped at a call does.
func look(pid int) (in info, ok bool) {
	err := request(unix.PTRACE_GET_SYSCALL_INFO, pid, unsafe.Sizeof(in), uintptr(unsafe.Pointer(&in)))
	return in, err == nil
}
