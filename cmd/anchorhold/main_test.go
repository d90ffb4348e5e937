package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"anchorhold.test/anchorhold/agent/source"
	"anchorhold.test/anchorhold/trust/dependent"
	"anchorhold.test/anchorhold/trust/reader"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// Limits of building and of one call.
const (
	buildLimit = 5 * time.Minute
	callLimit  = 2 * time.Minute
)

// TestMain lets this program answer claims too: a run inside a test proves its
// placements through a child of itself. And it can be a client in Go.
func TestMain(m *testing.M) {
	if len(os.Args) == 3 && os.Args[1] == dialGo {
		if err := clientGo(os.Args[2]); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(60)
		}
		os.Exit(0)
	}
	if len(os.Args) > 1 && slices.Contains([]string{reader.Command, dependent.Command, source.Command}, os.Args[1]) {
		a := newApp(stdio{in: os.Stdin, out: os.Stdout, err: os.Stderr}, time.Now)
		os.Exit(a.run(context.Background(), os.Args[1:]))
	}
	code := m.Run()
	if dir := workshop.dir; dir != "" {
		os.RemoveAll(dir)
	}
	os.Exit(code)
}

// workshop is where the program under test is built, once for this process.
var workshop struct {
	sync.Once
	dir, program string
	err          error
}

// programPath tells a test inside a namespace where the program lies.
const programPath = "ANCHORHOLD_PROGRAM"

// program returns the path of the program, built as for a release.
func program(t *testing.T) string {
	t.Helper()
	if name := os.Getenv(programPath); name != "" {
		return name
	}
	workshop.Do(func() { workshop.err = buildProgram() })
	if workshop.err != nil {
		t.Fatal(workshop.err)
	}
	return workshop.program
}

func buildProgram() error {
	dir, err := os.MkdirTemp("", "anchorhold-built-")
	if err != nil {
		return err
	}
	workshop.dir, workshop.program = dir, filepath.Join(dir, "anchorhold")
	ctx, cancel := context.WithTimeout(context.Background(), buildLimit)
	defer cancel()
	c := exec.CommandContext(ctx, "go", "build", "-trimpath", "-buildvcs=false", "-o", workshop.program, ".")
	c.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := c.CombinedOutput(); err != nil {
		return fmt.Errorf("cannot build the program: %w\n%s", err, out)
	}
	return errors.Join(os.Chmod(dir, 0o755), os.Chmod(workshop.program, 0o755))
}

// installed is where the program lies on a private machine.
const installed = "/usr/bin/anchorhold"

// onMachine gives a test a private copy of this machine with the program
// installed on it. Outside of that it returns false, and all is done.
func onMachine(t *testing.T) bool {
	t.Helper()
	if testing.Short() {
		t.Skip("it refreshes a real store: not in a -short run")
	}
	if os.Geteuid() != 0 {
		trusttest.Lacking(t, "root: it works on a machine of its own")
	}
	trusttest.Need(t, "update-ca-certificates")
	// With a network of its own: the machine's other listeners are asked nothing.
	if !trusttest.PrivateNetwork(t, programPath+"="+program(t)) {
		return false
	}
	install(t)
	return true
}

// install puts the program on a private machine, which follows nobody yet.
func install(t *testing.T) {
	t.Helper()
	data, err := os.ReadFile(program(t))
	if err != nil {
		t.Fatal(err)
	}
	for _, dir := range []string{"/etc/anchorhold", "/var/lib/anchorhold"} {
		if err := os.RemoveAll(dir); err != nil { // of whoever uses this machine
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(installed, data, 0o755); err != nil {
		t.Fatal(err)
	}
}
