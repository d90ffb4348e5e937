package host

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/windows"
)

// settle is how long a program's outputs may stay open after its end, by
// something that it left behind.
const settle = 5 * time.Second

func runProgram(ctx context.Context, c Cmd) (Result, error) {
	if c.Spare {
		return Result{}, fmt.Errorf("sparing a program at its limit is %w", ErrUnsupported)
	}
	name := liveName(c.Path)
	if c.Path == Self {
		var err error
		if name, err = os.Executable(); err != nil {
			return Result{}, err
		}
	}
	windir, err := windows.GetSystemWindowsDirectory()
	if err != nil {
		return Result{}, err
	}
	out, fail := &bounded{limit: c.Limit}, &bounded{limit: c.Limit}
	cmd := &exec.Cmd{Path: name, Args: append([]string{name}, c.Args...), Dir: c.Dir, Env: environment(c, windir), Stdout: out, Stderr: fail, WaitDelay: settle}
	if cmd.Dir == "" {
		cmd.Dir = windir + `\System32`
	}
	if len(c.Stdin) > 0 {
		cmd.Stdin = bytes.NewReader(c.Stdin)
	}
	cmd.SysProcAttr = &syscall.SysProcAttr{HideWindow: true, CreationFlags: windows.CREATE_NEW_PROCESS_GROUP | windows.CREATE_NO_WINDOW}
	if c.As != nil {
		token, err := tokenOf(c.As)
		if err != nil {
			return Result{}, err
		}
		defer token.Close()
		cmd.SysProcAttr.Token = syscall.Token(token)
	}
	job, err := newJob(c.Memory)
	if err != nil {
		return Result{}, err
	}
	defer windows.CloseHandle(job) // ends whatever still runs in it
	ctx, cancel := context.WithTimeout(ctx, c.Timeout)
	defer cancel()
	if err := cmd.Start(); err != nil {
		return Result{}, err
	}
	if err := enter(job, cmd.Process); err != nil {
		cmd.Process.Kill()
		cmd.Wait()
		return Result{}, err
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	result := func() Result {
		return Result{Stdout: out.buf.Bytes(), Stderr: fail.buf.Bytes(), Truncated: out.over || fail.over}
	}
	select {
	case err = <-ended:
	case <-ctx.Done():
		windows.TerminateJobObject(job, 1)
		<-ended
		if errors.Is(ctx.Err(), context.DeadlineExceeded) {
			return result(), fmt.Errorf("no end within %s", c.Timeout)
		}
		return result(), ctx.Err()
	}
	r := result()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) && !errors.Is(err, exec.ErrWaitDelay) {
		return r, err
	}
	r.Code = cmd.ProcessState.ExitCode()
	return r, nil
}

// newJob makes what ends a program with all that it started.
func newJob(memory int64) (windows.Handle, error) {
	job, err := windows.CreateJobObject(nil, nil)
	if err != nil {
		return 0, fmt.Errorf("cannot bound a program: %w", err)
	}
	var limits windows.JOBOBJECT_EXTENDED_LIMIT_INFORMATION
	limits.BasicLimitInformation.LimitFlags = windows.JOB_OBJECT_LIMIT_KILL_ON_JOB_CLOSE
	if memory > 0 {
		limits.BasicLimitInformation.LimitFlags |= windows.JOB_OBJECT_LIMIT_PROCESS_MEMORY
		limits.ProcessMemoryLimit = uintptr(memory)
	}
	if _, err := windows.SetInformationJobObject(job, windows.JobObjectExtendedLimitInformation, uintptr(unsafe.Pointer(&limits)), uint32(unsafe.Sizeof(limits))); err != nil {
		windows.CloseHandle(job)
		return 0, fmt.Errorf("cannot bound a program: %w", err)
	}
	return job, nil
}

func enter(job windows.Handle, p *os.Process) error {
	h, err := windows.OpenProcess(windows.PROCESS_SET_QUOTA|windows.PROCESS_TERMINATE, false, uint32(p.Pid))
	if errors.Is(err, windows.ERROR_INVALID_PARAMETER) {
		return nil // it has ended already
	}
	if err != nil {
		return fmt.Errorf("cannot bound a program: %w", err)
	}
	defer windows.CloseHandle(h)
	if err := windows.AssignProcessToJobObject(job, h); err != nil && !ended(p) {
		return fmt.Errorf("cannot bound a program: %w", err)
	}
	return nil
}

// ended reports whether a process is at its end already, and so in no job.
func ended(p *os.Process) bool {
	h, err := windows.OpenProcess(windows.SYNCHRONIZE, false, uint32(p.Pid))
	if err != nil {
		return true
	}
	defer windows.CloseHandle(h)
	got, _ := windows.WaitForSingleObject(h, 0)
	return got == windows.WAIT_OBJECT_0
}

func environment(c Cmd, windir string) []string {
	temp := c.Temp
	if temp == "" {
		temp = windir + `\Temp`
	}
	return []string{`PATH=` + windir + `\System32;` + windir, "SystemRoot=" + windir, "TEMP=" + temp, "TMP=" + temp}
}
