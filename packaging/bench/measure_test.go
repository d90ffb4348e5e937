//go:build linux

package bench

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"syscall"
	"testing"
	"time"
)

// Numbers of runs behind a median.
const (
	many = 20
	few  = 5 // where one run takes about a second, or caches are dropped before
	slow = 3 // where one run takes several seconds
)

const runLimit = 2 * time.Minute

// process is how one process ended.
type process struct {
	took time.Duration
	code int
	out  []byte
}

// start runs a program to its end and takes the time from outside.
func start(b *testing.B, argv ...string) process {
	b.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), runLimit)
	defer cancel()
	c := exec.CommandContext(ctx, argv[0], argv[1:]...)
	var out, said bytes.Buffer
	c.Stdout, c.Stderr = &out, &said
	c.Env = []string{"PATH=/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL=C"}
	begun := time.Now()
	err := c.Run()
	p := process{took: time.Since(begun), code: c.ProcessState.ExitCode(), out: out.Bytes()}
	var exit *exec.ExitError
	if err != nil && (!errors.As(err, &exit) || !exit.Exited()) {
		b.Fatalf("%v: %v %s", argv, err, said.Bytes())
	}
	return p
}

// must is start for what has to succeed.
func must(b *testing.B, argv ...string) process {
	b.Helper()
	p := start(b, argv...)
	if p.code != 0 {
		b.Fatalf("%v ended with %d: %s", argv, p.code, p.out)
	}
	return p
}

// sample is what was measured of one thing.
type sample []time.Duration

func (s sample) median() time.Duration {
	s = slices.Sorted(slices.Values(s))
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}

func (s sample) String() string {
	text := short(s.median())
	if len(s) != many {
		text += fmt.Sprintf(" (of %d)", len(s))
	}
	return text
}

func short(d time.Duration) string {
	if d >= 200*time.Millisecond {
		return fmt.Sprintf("%.2f s", d.Seconds())
	}
	return fmt.Sprintf("%.1f ms", float64(d.Microseconds())/1000)
}

// times repeats a command n times, with what comes before each run.
func times(b *testing.B, n int, before func(), argv ...string) sample {
	b.Helper()
	var s sample
	for range n {
		if before != nil {
			before()
		}
		s = append(s, must(b, argv...).took)
	}
	return s
}

// dropCaches empties the page cache, if that is allowed.
func dropCaches() bool {
	syscall.Sync()
	return os.WriteFile("/proc/sys/vm/drop_caches", []byte("3\n"), 0) == nil
}

func binarySize(b *testing.B, program string) row {
	fi, err := os.Stat(program)
	if err != nil {
		b.Fatal(err)
	}
	mb := float64(fi.Size()) / 1e6
	return row{"the program, stripped", fmt.Sprintf("%.1f MB", mb), "", "", "<= 16 MB", verdict(mb <= 16)}
}
