package trusttest

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust/host"
)

// Where Debian's package wine64 puts its programs.
const (
	wineProgram = "/usr/lib/wine/wine64"
	wineServer  = "/usr/lib/wine/wineserver64"
)

// Limits of programs under Wine.
const (
	wineStart  = 2 * time.Minute
	wineCall   = 2 * time.Minute
	wineEnd    = 30 * time.Second
	wineOutput = 8 << 20
)

// Wine is a Windows of its own in a folder of the test.
type Wine struct {
	t      testing.TB
	prefix string
}

// NewWine makes one and ends it with the test. What Wine cannot prove is listed
// in packaging/doc/windows.md.
func NewWine(t testing.TB) *Wine {
	t.Helper()
	if testing.Short() {
		t.Skip("starting Wine takes ten seconds: not in a -short run")
	}
	for _, p := range []string{wineProgram, wineServer} {
		if _, err := os.Stat(p); err != nil {
			Lacking(t, "Wine ("+p+")")
		}
	}
	dir, err := os.MkdirTemp("", "harbour-wine-")
	if err != nil {
		t.Fatal(err)
	}
	w := &Wine{t: t, prefix: filepath.Join(dir, "prefix")}
	t.Cleanup(func() {
		w.end()
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	if r := w.start(wineStart, "", nil, wineProgram, "wineboot", "-i"); r.Code != 0 {
		t.Fatalf("Wine does not start: %s", r.Stderr)
	}
	// wineboot leaves two services.exe, which answer by turns (measured).
	w.end()
	shim := filepath.Join(w.prefix, "drive_c", "windows", "system32", "bcryptprimitives.dll")
	if err := os.WriteFile(shim, randomLibrary(), 0o644); err != nil {
		t.Fatal(err)
	}
	return w
}

// end ends what runs in this Wine, and nothing else.
func (w *Wine) end() {
	w.start(wineEnd, "", nil, wineServer, "-k")
	w.start(wineEnd, "", nil, wineServer, "-w")
}

func (w *Wine) start(limit time.Duration, dir string, in []byte, program string, args ...string) host.Result {
	w.t.Helper()
	set := []string{"WINEPREFIX=" + w.prefix, "WINEARCH=win64", "WINEDEBUG=-all", "HOME=" + filepath.Dir(w.prefix)}
	c := host.Cmd{Path: "/usr/bin/env", Args: append(append(set, program), args...), Dir: dir, Stdin: in, Timeout: limit, Limit: wineOutput,
		// Its output goes to files: what Wine starts beside it would hold a pipe
		// open. One that does not end goes with the server at the test's end.
		Spare: true}
	// The test's own context ends before its cleanups.
	r, err := host.System().Run(context.Background(), c)
	if err != nil {
		w.t.Fatalf("%s: %v\n%s", strings.Join(args, " "), err, r.Stderr)
	}
	return r
}

// Run runs a Windows program in a folder of this machine.
func (w *Wine) Run(dir, program string, args ...string) host.Result {
	w.t.Helper()
	return w.start(wineCall, dir, nil, wineProgram, append([]string{program}, args...)...)
}

// With is Run with something on the standard input.
func (w *Wine) With(in []byte, dir, program string, args ...string) host.Result {
	w.t.Helper()
	return w.start(wineCall, dir, in, wineProgram, append([]string{program}, args...)...)
}

// Drive returns where the drive C: lies on this machine.
func (w *Wine) Drive() string { return filepath.Join(w.prefix, "drive_c") }
