package host

import (
	"context"
	"errors"
	"os"
	"path"
	"path/filepath"
	"slices"
)

// Host is a machine, or a tree that looks like one.
type Host struct {
	// Root is the folder that the machine calls "/".
	Root string
	// Owners are the accounts that may own what a privileged run relies on:
	// tools, and folders that are written to.
	Owners []uint32
	// Step is called before every effect, where it is set, with the kind of
	// the effect and the path that it concerns. An error stops the effect.
	Step func(op, path string) error
	// Tool stands in for running programs where it is set.
	Tool func(ctx context.Context, c Cmd) (Result, error)
}

// System returns the running machine.
func System() *Host { return &Host{Root: "/", Owners: []uint32{0}} }

// At returns the machine whose files lie below dir. Besides root the account
// that runs this may own what is relied on.
func At(dir string) *Host {
	h := &Host{Root: filepath.Clean(dir), Owners: []uint32{0}}
	if uid := os.Geteuid(); uid > 0 {
		h.Owners = append(h.Owners, uint32(uid))
	}
	return h
}

// Live reports whether the host is the running machine.
func (h *Host) Live() bool { return h.Root == "/" }

// ErrElsewhere is returned where something was asked of the running machine
// and the host is another tree.
var ErrElsewhere = errors.New("this is not the running machine but another tree")

// ErrUnsupported is returned where this operating system has no way yet to do
// what was asked.
var ErrUnsupported = errors.New("not yet possible on this operating system")

// step passes one effect through Step.
func (h *Host) step(op, name string) error {
	if h.Step == nil {
		return nil
	}
	return h.Step(op, name)
}

// below returns where a path of the machine lies, links left as they are.
func (h *Host) below(name string) string {
	if h.Live() {
		return liveName(path.Clean("/" + name))
	}
	return filepath.Join(h.Root, filepath.FromSlash(path.Clean("/"+name)))
}

func (h *Host) trusts(uid uint32) bool { return slices.Contains(h.Owners, uid) }
