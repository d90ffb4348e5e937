//go:build unix

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
)

// taken feeds a file through a pipe and counts what was read of it.
func taken(t *testing.T, file string) int64 {
	t.Helper()
	pipe := filepath.Join(t.TempDir(), "pipe")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	sent := make(chan int64)
	go func() {
		var n int64
		defer func() { sent <- n }()
		w, err := os.OpenFile(pipe, os.O_WRONLY, 0)
		if err != nil {
			return
		}
		defer w.Close()
		r, err := os.Open(file)
		if err != nil {
			return
		}
		defer r.Close()
		n, _ = w.ReadFrom(struct{ *os.File }{r}) // ends when the reader has gone
	}()
	must(t, exitWrong, "/", "vet", pipe)
	return <-sent
}

// peak is the most memory that a program had, in KiB (getrusage(2) on Linux).
func peak(p *os.ProcessState) int64 {
	if use, ok := p.SysUsage().(*syscall.Rusage); ok {
		return int64(use.Maxrss)
	}
	return 0
}

// demote makes a program run as the account of least rights.
func demote(_ *testing.T, c *exec.Cmd) {
	c.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
}
