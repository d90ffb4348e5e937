//go:build unix

package host

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"syscall"
	"time"
)

// settle is how long a program's outputs may stay open after its end, by
// something that it left behind.
const settle = 5 * time.Second

func runProgram(ctx context.Context, c Cmd) (Result, error) {
	name := c.Path
	if name == Self && runtime.GOOS != "linux" {
		self, err := os.Executable()
		if err != nil {
			return Result{}, err
		}
		name = self
	}
	args := append([]string{c.Path}, c.Args...)
	if c.Memory > 0 {
		var err error
		if name, args, err = confined(c); err != nil {
			return Result{}, err
		}
	}
	cmd := &exec.Cmd{Path: name, Args: args, Env: environment(c), Dir: c.Dir, WaitDelay: settle}
	if cmd.Dir == "" {
		cmd.Dir = "/"
	}
	if len(c.Stdin) > 0 {
		cmd.Stdin = bytes.NewReader(c.Stdin)
	}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Credential: credential(c.As)}
	out, err := outputs(c, cmd)
	if err != nil {
		return Result{}, err
	}
	defer out.close()
	if err := cmd.Start(); err != nil {
		return Result{}, err
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	limit := time.NewTimer(c.Timeout)
	defer limit.Stop()
	canceled := ctx.Done()
	if c.Spare {
		canceled = nil
	}
	var cause error
	select {
	case err = <-ended:
	case <-canceled:
		cause = ctx.Err()
	case <-limit.C:
		cause = fmt.Errorf("no end within %s", c.Timeout)
		if c.Spare {
			return Result{}, &StillRunning{Path: c.Path, PID: cmd.Process.Pid, For: c.Timeout}
		}
	}
	if cause != nil {
		syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL)
		<-ended
		r, _ := out.result()
		return r, cause
	}
	r, readErr := out.result()
	var exit *exec.ExitError
	switch {
	case errors.As(err, &exit) && exit.Exited():
	case errors.Is(err, exec.ErrWaitDelay):
	case err != nil:
		return r, err
	}
	r.Code = cmd.ProcessState.ExitCode()
	if c.Memory > 0 && (r.Code == notExecutable || r.Code == notFound) {
		return r, fmt.Errorf("it could not be started: %s", bytes.TrimSpace(r.Stderr))
	}
	return r, readErr
}

func credential(as *Account) *syscall.Credential {
	if as == nil {
		return nil
	}
	if int(as.UID) == os.Geteuid() && os.Geteuid() != 0 {
		return nil // ourselves; setgroups would need a privilege
	}
	return &syscall.Credential{Uid: as.UID, Gid: as.GID, Groups: as.Groups}
}

// output is where a program writes: into bounded memory, or, for one that may
// outlive us, into files that no longer have a name. A pipe would end it as
// soon as we are gone.
type output struct {
	limit  int64
	bounds [2]*bounded
	files  [2]*os.File
}

func outputs(c Cmd, cmd *exec.Cmd) (*output, error) {
	o := &output{limit: c.Limit}
	if !c.Spare {
		o.bounds = [2]*bounded{{limit: c.Limit}, {limit: c.Limit}}
		cmd.Stdout, cmd.Stderr = o.bounds[0], o.bounds[1]
		return o, nil
	}
	for i := range o.files {
		f, err := os.CreateTemp(c.Temp, tempPrefix+"*"+tempSuffix)
		if err != nil {
			o.close()
			return nil, err
		}
		o.files[i] = f
		if err := os.Remove(f.Name()); err != nil {
			o.close()
			return nil, err
		}
	}
	cmd.Stdout, cmd.Stderr = o.files[0], o.files[1]
	return o, nil
}

func (o *output) result() (Result, error) {
	if o.files[0] == nil {
		return Result{Stdout: o.bounds[0].buf.Bytes(), Stderr: o.bounds[1].buf.Bytes(), Truncated: o.bounds[0].over || o.bounds[1].over}, nil
	}
	var r Result
	for i, f := range o.files {
		data, err := io.ReadAll(io.NewSectionReader(f, 0, o.limit+1))
		if err != nil {
			return r, err
		}
		if int64(len(data)) > o.limit {
			data, r.Truncated = data[:o.limit], true
		}
		if i == 0 {
			r.Stdout = data
		} else {
			r.Stderr = data
		}
	}
	return r, nil
}

func (o *output) close() {
	for _, f := range o.files {
		if f != nil {
			f.Close()
		}
	}
}

func environment(c Cmd) []string {
	temp := c.Temp
	if temp == "" {
		temp = "/tmp"
	}
	return []string{"PATH=/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL=C", "TMPDIR=" + temp}
}
