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

// shutJava reports that nobody can tell what Java's store holds, and that no
// refresh of ours changes that: somebody else's password or writer, and no copy
// of ours to put back.
func (s *state) shutJava() bool {
	c := s.java
	return c.err == nil && len(c.blocks) == 0 && len(c.faults) > 0 && !(c.torn() && s.d.unfinished())
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
	var still *host.StillRunning
	if errors.As(g.java, &still) {
		return
	}
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

// unfinished reports that an earlier run did not see the end of Java's hook:
// its copy is still there.
func (d *Debian) unfinished() bool {
	_, err := d.Host.Lstat(d.JavaKept)
	return err == nil
}

// resume goes on where an earlier run was ended: Java's store is whole again,
// dpkg has done what it was at, and the hook is told what it missed.
func (g *golive) resume(ctx context.Context) (lines []string, err error) {
	if !g.d.unfinished() || !g.t.s.javaUse {
		return nil, nil
	}
	if err := g.d.wait(ctx, g.d.Host.DpkgBusy); err != nil {
		return nil, err
	}
	if err := g.healJava(); err != nil {
		return nil, err
	}
	g.configure(ctx)
	g.t.s.java = g.d.load(g.d.Java, maxBundle)
	for _, f := range g.t.files {
		if f.vendor == "" && len(f.blocks) > 0 && f.pem == ownName(f.blocks[0].Fingerprint)+".pem" && !g.t.s.java.has(f.blocks[0].Fingerprint) {
			lines = append(lines, "+"+path.Join(g.d.Certs, f.pem))
		}
	}
	for _, b := range g.t.s.java.blocks {
		name, ours := strings.CutPrefix(b.Alias, javaPrefix)
		refused := slices.ContainsFunc(g.t.s.refused, func(f *source) bool { return f.has(b.Fingerprint) })
		gone := name == ownName(b.Fingerprint)+".pem" && !slices.ContainsFunc(g.t.files, func(f *source) bool { return f.has(b.Fingerprint) })
		if ours && (refused || gone) && !strings.ContainsAny(name, "/\n\r") {
			lines = append(lines, "-"+path.Join(g.d.Certs, name))
		}
	}
	return lines, nil
}

// healJava puts the copy back that an earlier run kept, where Java's store is
// torn.
func (g *golive) healJava() error {
	if !g.t.s.java.torn() {
		return nil
	}
	kept := g.d.load(g.d.JavaKept, maxBundle)
	if errors.Is(kept.err, fs.ErrNotExist) || kept.err == nil && kept.torn() {
		return nil // somebody else's doing: told, not guessed
	}
	if kept.err != nil {
		return fmt.Errorf("cannot read the copy of Java's store: %w", kept.err)
	}
	dir, err := g.d.Host.Dir(path.Dir(g.d.Java))
	if err != nil {
		return err
	}
	defer dir.Close()
	if err := dir.Write(path.Base(g.d.Java), kept.data, 0o644); err != nil {
		return err
	}
	g.notes = append(g.notes, g.d.Java+" was torn, as whoever wrote it was ended; it was put back as it was before")
	return nil
}

// finishJava lets dpkg finish the package of Java's hook where somebody else's
// run of it was ended half-way: until then its triggers do nothing.
func (g *golive) finishJava(ctx context.Context, lines []string) {
	if g.t.s.javaUse && !g.followed(g.d.load(g.d.Java, maxBundle), lines) {
		g.configure(ctx)
	}
}

// configure lets dpkg finish the package. Where there is nothing to finish it
// says so, and that is that.
func (g *golive) configure(ctx context.Context) {
	if _, err := g.d.Host.Stat(g.d.Dpkg); err != nil {
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
	if !s.javaUse || !s.d.unfinished() {
		return faults
	}
	for i, f := range faults {
		if slices.Contains(javaTorn, f.Code) {
			faults[i].Mend, faults[i].Next = true, enforceNext
		}
	}
	return append(faults, trust.Fault{Code: "hook-unfinished", Path: s.d.JavaKept, What: "a run is at work in Java's store, or was ended there",
		Harm: "Java's store may be torn, and " + s.d.JavaPackage + " half configured, so that its triggers do nothing", Next: enforceNext, Mend: true})
}
