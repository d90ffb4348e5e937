//go:build !linux

package tracer

import (
	"context"
	"errors"
)

// Trace works on Linux alone.
func Trace(context.Context, Program, Options) (Run, error) {
	return Run{}, errors.New("cannot trace a program: only Linux is known to")
}

// Main does nothing where Trace does not work.
func Main() {}
