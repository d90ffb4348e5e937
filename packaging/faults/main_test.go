//go:build linux

// Package faults_test ends, starves and disturbs the built program at every
// place that can be counted, on a private machine, and looks at what is left.
package faults_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust/trusttest/tracer"
)

// Limits of building and of one call.
const (
	buildLimit = 5 * time.Minute
	callLimit  = time.Minute
)

// TestMain lets this program be two more: what the tracer starts, and
// the sampler.
func TestMain(m *testing.M) {
	tracer.Main()
	if len(os.Args) == 3 && os.Args[1] == samplerMark {
		os.Exit(sample(os.Args[2]))
	}
	code := m.Run()
	if workshop.dir != "" {
		os.RemoveAll(workshop.dir)
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
	c := exec.CommandContext(ctx, "go", "build", "-trimpath", "-buildvcs=false", "-o", workshop.program, "anchorhold.test/anchorhold/cmd/anchorhold")
	c.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := c.CombinedOutput(); err != nil {
		return fmt.Errorf("cannot build the program: %w\n%s", err, out)
	}
	return errors.Join(os.Chmod(dir, 0o755), os.Chmod(workshop.program, 0o755))
}
