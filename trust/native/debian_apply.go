package native

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"sort"
	"strings"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
)

// attempts bounds how often a batch is built again because somebody else
// refreshed the store meanwhile.
const attempts = 3

// Apply implements [trust.Store]. The order is: new files of the source,
// bundle, links, files of the source that go, hooks; each file is old or new at
// any moment, and no link leads into nothing on the way. Whatever fails, the
// outcome of each change is told by reading the store again.
func (d *Debian) Apply(ctx context.Context, x trust.Trial) []trust.Outcome {
	tr, ok := x.(*trial)
	if !ok || tr.d != d || tr.used {
		return refuseAll(x, errors.New("cannot apply a trial that is not of this store, or was used"))
	}
	tr.used = true
	live := &golive{trial: tr}
	if !tr.t.idle() {
		live.err = live.carryOut(ctx)
	}
	out := live.outcomes(ctx)
	if err := tr.Discard(ctx); err != nil && len(out) > 0 {
		out[0].Notes = append(out[0].Notes, err.Error())
	}
	return out
}

func refuseAll(x trust.Trial, err error) []trust.Outcome {
	var out []trust.Outcome
	for _, c := range x.Batch() {
		out = append(out, trust.Outcome{Change: c, Status: trust.Failed, Err: err})
	}
	return out
}

// golive is one Apply under way.
type golive struct {
	*trial
	err   error    // why the batch stopped
	java  error    // why Java's store was not brought up to date
	notes []string // for all changes
}

// carryOut takes the trial live, and builds it again where the store is no
// longer what it was built on.
func (g *golive) carryOut(ctx context.Context) error {
	for n := 1; ; n++ {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := g.d.quiet(ctx); err != nil {
			return err
		}
		now, err := g.d.read(ctx)
		if err != nil {
			return err
		}
		if now.signature() == g.t.s.signature() {
			if done, err := g.write(ctx); done || err != nil {
				return err
			}
		}
		if n == attempts {
			return fmt.Errorf("somebody else changed the store %d times while it was being refreshed; find out who, then try again", n)
		}
		g.notes = append(g.notes, "somebody else changed the store meanwhile; it was tried again")
		if err := g.build(ctx); err != nil {
			return err
		}
	}
}

// write makes the changes. It reports whether the bundle is the staged one
// afterwards: another refresh may have run over it.
func (g *golive) write(ctx context.Context) (done bool, err error) {
	certs, err := g.d.Host.Dir(g.d.Certs)
	if err != nil {
		return false, err
	}
	defer certs.Close()
	if err := certs.Clean(); err != nil {
		return false, err
	}
	if name, there, stale := g.d.leftover(); there && stale {
		if err := certs.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return false, err
		}
		g.notes = append(g.notes, "removed "+path.Join(g.d.Certs, name)+", left by a refresh that died")
	}
	if err := g.writeSources(); err != nil {
		return false, err
	}
	if err := g.writeConf(); err != nil {
		return false, err
	}
	changed := !bytes.Equal(g.t.s.bundle.data, g.st.bundle.data)
	if changed {
		if err := certs.Write(g.d.Bundle, g.st.bundle.data, 0o644); err != nil {
			return false, err
		}
	}
	if err := g.writeLinks(certs); err != nil {
		return false, err
	}
	if err := g.cutSources(); err != nil {
		return false, err
	}
	g.openUp()
	g.runHooks(ctx, changed)
	data, err := certs.ReadFile(g.d.Bundle, maxBundle)
	return err == nil && bytes.Equal(data, g.st.bundle.data), nil
}

// writeSources writes our own files.
func (g *golive) writeSources() error {
	if len(g.t.write) == 0 {
		return nil
	}
	dir, err := g.d.Host.Ensure(g.d.Local, 0o755)
	if err != nil {
		return err
	}
	defer dir.Close()
	if err := dir.Clean(); err != nil {
		return err
	}
	g.notes = append(g.notes, dir.Notes()...)
	for _, name := range names(g.t.write) {
		if err := dir.Write(name, g.t.write[name], 0o644); err != nil {
			return err
		}
	}
	return nil
}

// cutSources takes withdrawn copies out of the local folder. Their links are
// gone by now: the other way round a lookup of their name would stop at a link
// into nothing.
func (g *golive) cutSources() error {
	for _, name := range names(g.t.keep) {
		if path.Dir(name) == g.d.Certs {
			continue // goes with the links
		}
		if err := g.cutFile(name, g.t.keep[name]); err != nil {
			return err
		}
	}
	return nil
}

// cutFile leaves of a file what stays, or nothing.
func (g *golive) cutFile(name string, rest []byte) error {
	dir, err := g.d.Host.Dir(path.Dir(name))
	if err != nil {
		return err
	}
	defer dir.Close()
	fi, err := dir.Lstat(path.Base(name))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if rest == nil {
		if err := dir.Remove(path.Base(name)); err != nil {
			return err
		}
		return dir.Sync()
	}
	perm := fi.Mode().Perm()
	if fi.Mode()&fs.ModeSymlink != 0 {
		perm = 0o644
		g.notes = append(g.notes, name+" was a link to a file with other certificates too; it is a file with those others now")
	}
	return dir.Write(path.Base(name), rest, perm)
}

func names[V any](m map[string]V) []string {
	var all []string
	for n := range m {
		all = append(all, n)
	}
	sort.Strings(all)
	return all
}

func (g *golive) writeConf() error {
	if bytes.Equal(g.t.conf.data, g.t.s.conf.data) {
		return nil
	}
	dir, err := g.d.Host.Dir(path.Dir(g.d.Conf))
	if err != nil {
		return err
	}
	defer dir.Close()
	perm := fs.FileMode(0o644)
	if fi, err := dir.Lstat(path.Base(g.d.Conf)); err == nil && fi.Mode().IsRegular() {
		perm = fi.Mode().Perm()
	}
	return dir.Write(path.Base(g.d.Conf), g.t.conf.data, perm)
}

// writeLinks carries out the steps that were worked out for the folder.
func (g *golive) writeLinks(certs *host.Dir) error {
	touched := len(g.b.ops) > 0
	for _, op := range g.b.ops {
		var err error
		switch {
		case op.target != "":
			err = certs.Symlink(op.target, op.name)
		case op.to != "":
			err = certs.Rename(op.name, op.to)
		default:
			if err = certs.Remove(op.name); errors.Is(err, fs.ErrNotExist) {
				err = nil
			}
		}
		if err != nil {
			return err
		}
	}
	for _, name := range names(g.t.keep) {
		if rest := g.t.keep[name]; path.Dir(name) == g.d.Certs && rest != nil {
			if err := g.cutFile(name, rest); err != nil {
				return err
			}
		}
	}
	if !touched {
		return nil
	}
	return certs.Sync()
}

// openUp adds the bits that accounts without privileges need to read the
// roots of the batch: on their files and on the store's own folders, nowhere
// else.
func (g *golive) openUp() {
	if len(g.t.in) == 0 {
		return
	}
	for _, name := range []string{path.Join(g.d.Certs, g.d.Bundle), g.d.Java} {
		if err := g.open(name, &g.notes); err != nil {
			g.notes = append(g.notes, err.Error())
		}
	}
	for _, w := range sorted(g.t.in) {
		if f := g.t.via(w.root.Fingerprint); f != nil {
			notes := g.t.notes[w.change]
			if err := g.open(f.path, &notes); err != nil {
				notes = append(notes, err.Error())
			}
			g.t.notes[w.change] = notes
		}
	}
}

// rooms are the store's own folders: in them, and nowhere else, read bits that
// are missing are added.
func (d *Debian) rooms() []string {
	var real []string
	for _, r := range []string{d.Local, d.Certs} {
		if at, err := d.Host.Resolve(r); err == nil {
			real = append(real, at)
		}
	}
	return real
}

func within(name string, rooms []string) bool {
	return slices.ContainsFunc(rooms, func(r string) bool { return name == r || strings.HasPrefix(name, r+"/") })
}

// open lets accounts without privileges come to a file.
func (g *golive) open(name string, notes *[]string) error {
	rooms := g.d.rooms()
	for range maxDepth {
		stop, err := g.d.Host.Paths(nil).Reach(name)
		if err != nil || stop == nil {
			return nil // a missing file is told elsewhere
		}
		if !within(stop.Path, rooms) {
			return fmt.Errorf("%s; it is not the store's own, so that it stays as it is: chmod it by hand", stop)
		}
		perm := stop.Mode.Perm() | stop.Missing
		if stop.Mode.IsDir() {
			perm |= 0o555 // to be listed too: Go reads every file of such a folder
		}
		dir, err := g.d.Host.Dir(path.Dir(stop.Path))
		if err != nil {
			return err
		}
		err = dir.Chmod(path.Base(stop.Path), perm)
		dir.Close()
		if err != nil {
			return fmt.Errorf("cannot let accounts read %s: %w", stop.Path, err)
		}
		*notes = append(*notes, fmt.Sprintf("%s had mode %04o, which kept accounts from reading it; it has %04o now",
			stop.Path, stop.Mode.Perm(), perm))
	}
	return nil
}
