//go:build unix

package host

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestMain lets the test program play the program that is run, or another that
// holds a lock until it is ended.
func TestMain(m *testing.M) {
	if len(os.Args) > 2 && os.Args[1] == "hold" {
		if _, err := At(os.Args[2]).Lock(context.Background(), "/run/lock", time.Second); err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		os.WriteFile(filepath.Join(os.Args[2], "run/held"), []byte(fmt.Sprintln(os.Getpid())), 0o644)
		time.Sleep(time.Minute)
	}
	if len(os.Args) > 1 && os.Args[1] == "play" {
		groups, _ := os.Getgroups()
		fmt.Println(os.Getuid(), os.Getgid(), groups)
		os.Exit(7)
	}
	os.Exit(m.Run())
}

func TestRunEnvironmentAndOutput(t *testing.T) {
	ctx := t.Context()
	r, err := System().Run(ctx, Cmd{Path: "/usr/bin/env", Temp: "/var/tmp"})
	if err != nil {
		t.Fatal(err)
	}
	got := strings.Fields(string(r.Stdout))
	slices.Sort(got)
	want := []string{"LC_ALL=C", "PATH=/usr/sbin:/usr/bin:/sbin:/bin", "TMPDIR=/var/tmp"}
	if !slices.Equal(got, want) {
		t.Errorf("environment %q", got)
	}
	if r, err := System().Run(ctx, Cmd{Path: "/bin/cat", Stdin: bytes.Repeat([]byte("x"), 100_000), Limit: 10}); err != nil || len(r.Stdout) != 10 || !r.Truncated {
		t.Errorf("%d bytes, truncated %v, %v", len(r.Stdout), r.Truncated, err)
	}
	if r, err := System().Run(ctx, Cmd{Path: "/bin/false"}); err != nil || r.Code != 1 {
		t.Errorf("exit code %d, %v", r.Code, err)
	}
	for _, spare := range []bool{false, true} {
		r, err := System().Run(ctx, Cmd{Path: "/bin/sh", Args: []string{"-c", "echo out; echo err >&2; exit 3"}, Spare: spare})
		if err != nil || r.Code != 3 || string(r.Stdout) != "out\n" || string(r.Stderr) != "err\n" {
			t.Errorf("spare %v: %+v, %v", spare, r, err)
		}
	}
}

func TestRunRefuses(t *testing.T) {
	script := filepath.Join(t.TempDir(), "tool")
	if err := os.WriteFile(script, []byte("#!/bin/sh\n"), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(script, 0o777); err != nil {
		t.Fatal(err)
	}
	var exposed *Exposed
	if _, err := System().Run(t.Context(), Cmd{Path: script}); !errors.As(err, &exposed) {
		t.Errorf("a program that everybody can write was run: %v", err)
	}
	for _, name := range []string{"env", "../usr/bin/env", ""} {
		if _, err := System().Run(t.Context(), Cmd{Path: name}); err == nil {
			t.Errorf("%q was run", name)
		}
	}
	if _, err := tree(t, map[string]string{"bin/true": ""}).Run(t.Context(), Cmd{Path: "/bin/true"}); !errors.Is(err, ErrElsewhere) {
		t.Errorf("another tree's program was run: %v", err)
	}
}

func TestLimitEndsTheWholeGroup(t *testing.T) {
	mark := filepath.Join(t.TempDir(), "pid")
	c := Cmd{Path: "/bin/sh", Args: []string{"-c", "sleep 1000 & echo $! > " + mark + "; wait"}}
	c.Timeout = 300 * time.Millisecond
	if _, err := System().Run(t.Context(), c); err == nil {
		t.Error("no limit was kept")
	}
	if pid := written(t, mark); alive(pid) {
		t.Errorf("process %d of the group still runs", pid)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	c.Timeout = time.Minute
	if _, err := System().Run(ctx, c); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("the context was not heeded: %v", err)
	}
	c.Spare, c.Timeout = true, 300*time.Millisecond
	var still *StillRunning
	if _, err := System().Run(ctx, c); err == nil {
		t.Error("a program started although the context had ended")
	}
	if _, err := System().Run(t.Context(), c); !errors.As(err, &still) {
		t.Fatalf("spared: %v", err)
	}
	if !alive(written(t, mark)) {
		t.Error("a spared program was ended")
	}
	syscall.Kill(-still.PID, syscall.SIGKILL)
}

// alive waits a little: a killed process is gone for its parent before it is
// gone for everybody.
func alive(pid int) bool {
	for range 100 {
		data, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
		if err != nil || strings.Contains(string(data), ") Z ") {
			return false
		}
		time.Sleep(10 * time.Millisecond)
	}
	return true
}

func written(t *testing.T, mark string) (pid int) {
	t.Helper()
	data, err := os.ReadFile(mark)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := fmt.Sscan(string(data), &pid); err != nil {
		t.Fatal(err)
	}
	return pid
}

func TestRunAsAnotherAccount(t *testing.T) {
	if os.Getuid() != 0 {
		t.Skip("needs root: it runs a program as another account")
	}
	nobody, err := System().Account("nobody")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := System().Account("no-such-account-of-harbour"); err == nil {
		t.Error("an account that does not exist was found")
	}
	nobody.Groups = []uint32{nobody.GID, 4242}
	// The test program lies in a folder that nobody cannot enter.
	r, err := System().Run(t.Context(), Cmd{Path: Self, Args: []string{"play"}, As: nobody})
	want := fmt.Sprintf("%d %d [4242 %d]\n", nobody.UID, nobody.GID, nobody.GID)
	if err != nil || r.Code != 7 || string(r.Stdout) != want {
		t.Errorf("%q, exit %d, %v, want %q; %s", r.Stdout, r.Code, err, want, r.Stderr)
	}
}

func TestLock(t *testing.T) {
	h := tree(t, map[string]string{"run/": ""})
	l, err := h.Lock(t.Context(), "/run/lock", time.Second)
	if err != nil {
		t.Fatal(err)
	}
	var busy *Busy
	if _, err := h.Lock(t.Context(), "/run/lock", 120*time.Millisecond); !errors.As(err, &busy) {
		t.Errorf("a second lock: %v", err)
	}
	if err := l.Release(); err != nil {
		t.Fatal(err)
	}
	was := stampOf(t, h, "/run/lock")
	if l, err = h.Lock(t.Context(), "/run/lock", time.Second); err != nil {
		t.Fatal(err)
	}
	l.Release()
	if stampOf(t, h, "/run/lock") != was {
		t.Error("a lock wrote to its file")
	}
}

func stampOf(t *testing.T, h *Host, name string) Stamp {
	t.Helper()
	fi, err := h.Stat(name)
	if err != nil {
		t.Fatal(err)
	}
	return StampOf(fi)
}

// TestLockNamesItsHolder has another process hold the lock.
func TestLockNamesItsHolder(t *testing.T) {
	h := tree(t, map[string]string{"run/": ""})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		System().Run(ctx, Cmd{Path: Self, Args: []string{"hold", h.Root}})
		close(done)
	}()
	for range 1000 {
		if fi, err := h.Stat("/run/held"); err == nil && fi.Size() > 0 {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	var busy *Busy
	pid := written(t, h.below("/run/held"))
	if _, err := h.Lock(t.Context(), "/run/lock", 120*time.Millisecond); !errors.As(err, &busy) || busy.PID != pid && runtime.GOOS == "linux" {
		t.Errorf("process %d holds the lock: %v", pid, err)
	}
	cancel()
	<-done
	l, err := h.Lock(t.Context(), "/run/lock", 5*time.Second)
	if err != nil {
		t.Fatalf("the lock outlives its holder: %v", err)
	}
	l.Release()
}

func TestDpkgBusy(t *testing.T) {
	h := tree(t, map[string]string{"var/lib/dpkg/lock": ""})
	if err := h.DpkgBusy(); err != nil {
		t.Errorf("nobody holds the lock: %v", err)
	}
	// A lock of our own process does not count for F_GETLK: let another hold it.
	holder := Cmd{Path: "/usr/bin/python3", Timeout: 20 * time.Second, Args: []string{"-c",
		"import fcntl,sys,time; f=open(sys.argv[1],'r+'); fcntl.lockf(f, fcntl.LOCK_EX); open(sys.argv[1]+'.held','w'); time.sleep(1000)", h.below("/var/lib/dpkg/lock")}}
	if _, err := System().Stat(holder.Path); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal(err)
		}
		t.Skip("needs python3: it holds a lock")
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { System().Run(ctx, holder); close(done) }()
	for range 1000 {
		if _, err := h.Stat("/var/lib/dpkg/lock.held"); err == nil {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	var busy *Busy
	if err := h.DpkgBusy(); !errors.As(err, &busy) || busy.PID == 0 || busy.Path != "/var/lib/dpkg/lock" {
		t.Errorf("somebody holds the lock: %v", err)
	}
	cancel()
	<-done
}
