package native

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
)

// Java's tool empties its store and writes it anew in place (measured: one
// open with O_TRUNC, then six small writes an entry). Whoever ends it then
// leaves a store that Java cannot open, and dpkg, which started it, with the
// package half configured: from then on its triggers run no more. Neither heals
// by itself. So a copy is kept while the hook is at work, and what a run left
// that died is put right by the next one.

// javaTorn are the faults of a key store that was not written to its end.
var javaTorn = []string{"torn-store", "empty"}

// torn reports a key store that Java cannot open because somebody ended whoever
// wrote it.
func (c *content) torn() bool {
	for _, f := range c.faults {
		if slices.Contains(javaTorn, f.Code) {
			return true
		}
	}
	return false
}

// keepJava makes a copy of Java's store before its hook runs.
func (g *golive) keepJava() error {
	was := g.t.s.java
	if was.err != nil || was.torn() {
		return nil // nothing that is worth to be put back
	}
	dir, err := g.d.Host.Ensure(path.Dir(g.d.JavaKept), 0o755)
	if err != nil {
		return err
	}
	defer dir.Close()
	return dir.Write(path.Base(g.d.JavaKept), was.data, 0o600)
}

// letJavaGo takes the copy away once the hook has ended and left a whole store.
func (g *golive) letJavaGo() {
	if c := g.d.load(g.d.Java, maxBundle); c.err == nil && c.torn() {
		return
	}
	dir, err := g.d.Host.Dir(path.Dir(g.d.JavaKept))
	if err != nil {
		return // the next hook's copy replaces it
	}
	defer dir.Close()
	if err := dir.Remove(path.Base(g.d.JavaKept)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		g.notes = append(g.notes, err.Error())
	}
}

// healJava puts the copy back that an earlier run kept, where Java's store is
// torn.
func (g *golive) healJava(ctx context.Context) error {
	if !g.t.s.java.torn() || !g.t.s.javaUse {
		return nil
	}
	kept := g.d.load(g.d.JavaKept, maxBundle)
	if errors.Is(kept.err, fs.ErrNotExist) || kept.err == nil && kept.torn() {
		return nil // somebody else's doing: told, not guessed
	}
	if kept.err != nil {
		return fmt.Errorf("cannot read the copy of Java's store: %w", kept.err)
	}
	if err := g.d.wait(ctx, g.d.Host.DpkgBusy); err != nil {
		return err
	}
	dir, err := g.d.Host.Dir(path.Dir(g.d.Java))
	if err != nil {
		return err
	}
	defer dir.Close()
	if err := dir.Write(path.Base(g.d.Java), kept.data, 0o644); err != nil {
		return err
	}
	g.t.s.java = g.d.load(g.d.Java, maxBundle)
	g.notes = append(g.notes, g.d.Java+" was torn, as whoever wrote it was ended; it was put back as it was before")
	return nil
}

// finishJava lets dpkg finish the package of Java's hook where the hook was
// ended half-way before: until then its triggers do nothing.
func (g *golive) finishJava(ctx context.Context, lines []string) {
	now := g.d.load(g.d.Java, maxBundle)
	if _, err := g.d.Host.Stat(g.d.Dpkg); err != nil || !g.t.s.javaUse || g.followed(now, lines) {
		return
	}
	r, err := g.d.Host.Run(ctx, host.Cmd{Path: g.d.Dpkg, Args: []string{"--configure", g.d.JavaPackage}, Timeout: g.d.HookLimit, Spare: true})
	switch {
	case err != nil:
		g.notes = append(g.notes, err.Error())
	case r.Code == 0:
		g.notes = append(g.notes, g.d.JavaPackage+" was half configured, as whoever did it was ended; dpkg finished it")
	}
}

// followed reports whether Java's store is as its hook was told.
func (g *golive) followed(now *content, lines []string) bool {
	for _, l := range lines {
		there := false
		for _, b := range now.blocks {
			there = there || strings.EqualFold(b.Alias, javaPrefix+path.Base(l[1:]))
		}
		if there != (l[0] == '+') {
			return false
		}
	}
	return true
}

// mendable marks the faults of Java's store that a refresh of ours puts right.
func (s *state) mendable(faults []trust.Fault) []trust.Fault {
	if _, err := s.d.Host.Lstat(s.d.JavaKept); err != nil || !s.javaUse || !s.java.torn() {
		return faults
	}
	for i, f := range faults {
		if slices.Contains(javaTorn, f.Code) {
			faults[i].Mend, faults[i].Next = true, enforceNext
		}
	}
	return faults
}
