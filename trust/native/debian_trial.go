package native

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"sort"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
)

// trial is a batch that was tried. It implements [trust.Trial].
type trial struct {
	d    *Debian
	t    *target
	b    *board
	st   *stage // nil where no change of the batch can be carried out
	used bool
	kept javaKept
}

// Try implements [trust.Store]: it builds the store as it would be below
// Stage, by one run of the platform's tool, and judges what came out. Changes
// that cannot be carried out for reasons of their own do not stop the others:
// their outcome tells.
func (d *Debian) Try(ctx context.Context, batch []trust.Change) (trust.Trial, error) {
	tr := &trial{d: d, t: &target{batch: slices.Clone(batch)}}
	if err := tr.build(ctx); err != nil {
		return nil, fmt.Errorf("cannot try %d changes in store %s: %w", len(batch), d.ID(), err)
	}
	return tr, nil
}

// build reads the store and stages the batch.
func (tr *trial) build(ctx context.Context) error {
	if err := tr.d.quiet(ctx); err != nil {
		return err
	}
	s, err := tr.d.read(ctx)
	if err != nil {
		return err
	}
	if err := s.whole(); err != nil {
		return err
	}
	tr.t = s.plan(ctx, tr.t.batch)
	tr.b = tr.t.relink()
	if tr.st = nil; tr.t.idle() {
		return nil
	}
	if tr.st, err = tr.d.build(ctx, tr.t, tr.b); err != nil {
		return err
	}
	if err := tr.st.verify(tr.t); err != nil {
		return err
	}
	return tr.st.settle(tr.b)
}

// whole reports what could not be read and would be lost in a new bundle.
func (s *state) whole() error {
	for what, err := range map[string]error{s.d.Conf: s.confErr, s.d.Local: s.walkErr, s.d.Certs: s.links.err, s.bundle.path: s.bundle.err} {
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("cannot read %s: %w", what, err)
		}
	}
	return nil
}

// quietPause is how long a waiting run sleeps between two looks.
const quietPause = 100 * time.Millisecond

// quiet waits until nobody else refreshes the store.
func (d *Debian) quiet(ctx context.Context) error {
	return d.wait(ctx, func() error {
		if pids := d.refreshing(); len(pids) > 0 {
			return fmt.Errorf("%s runs already (process %d); try again when it has finished", path.Base(d.Tool), pids[0])
		}
		return nil
	})
}

// refreshing lists the processes that refresh this very store. A container
// that builds its own is seen in /proc as well and is none of them: its root
// leads to another folder. One of which that cannot be told counts.
func (d *Debian) refreshing() []int {
	pids := d.Host.Running(path.Base(d.Tool))
	ours, err := d.Host.Stat(d.Certs)
	if err != nil || !d.Host.Live() {
		return pids
	}
	return slices.DeleteFunc(pids, func(pid int) bool {
		theirs, err := d.Host.Stat(fmt.Sprintf("/proc/%d/root%s", pid, d.Certs)) // proc_pid_root(5): as the process sees it
		// One that has ended meanwhile, or has no such folder, is none of ours either.
		return errors.Is(err, fs.ErrNotExist) || err == nil && host.IdentityOf(theirs) != host.IdentityOf(ours)
	})
}

// wait asks until there is no error any more, for at most QuietLimit.
func (d *Debian) wait(ctx context.Context, ask func() error) error {
	limit := time.NewTimer(d.QuietLimit)
	defer limit.Stop()
	for {
		err := ask()
		if err == nil {
			return nil
		}
		select {
		case <-ctx.Done():
			return errors.Join(err, ctx.Err())
		case <-limit.C:
			return err
		case <-time.After(quietPause):
		}
	}
}

// signature changes when anything changes that a trial stands on.
func (s *state) signature() string {
	h := sha256.New()
	fmt.Fprintln(h, s.bundle.stamp, s.java.stamp, s.confStamp)
	for _, f := range slices.Concat(s.files, s.refused) {
		fmt.Fprintf(h, "%q %v\n", f.path, f.stamp)
	}
	for _, l := range s.links.sorted() {
		fmt.Fprintf(h, "%q %q %v\n", l.name, l.target, l.gone)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// Batch implements [trust.Trial].
func (tr *trial) Batch() []trust.Change { return slices.Clone(tr.t.batch) }

// Staged implements [trust.Trial]: bundle and links. Java's store is not built
// ahead: its hook knows only the live one.
func (tr *trial) Staged() []trust.Part {
	if tr.st == nil {
		return nil
	}
	return []trust.Part{
		{Name: partBundle, Kind: trust.Compiled, Path: tr.st.bundle.path, Present: true, Count: distinct(tr.st.bundle)},
		{Name: partLinks, Kind: trust.Compiled, Path: tr.st.certs, Present: true, Count: len(tr.st.links.hashes)},
	}
}

func distinct(c *content) int {
	seen := map[string]bool{}
	for _, b := range c.blocks {
		seen[string(b.DER)] = true
	}
	return len(seen)
}

// Leaving implements [trust.Trial].
func (tr *trial) Leaving() []trust.Leaving {
	if tr.st == nil {
		return nil
	}
	return tr.st.leaving(tr.t)
}

// Notes implements [trust.Trial].
func (tr *trial) Notes() []string {
	if tr.st == nil {
		return nil
	}
	notes := append(slices.Clone(tr.st.notes), tr.st.entering(tr.t)...)
	sort.Strings(notes)
	return notes
}

// Discard implements [trust.Trial]. It takes the stage away.
func (tr *trial) Discard(ctx context.Context) error {
	tr.used = true
	if tr.st == nil {
		return nil
	}
	up, err := tr.d.Host.Dir(path.Dir(tr.d.Stage))
	if err != nil {
		return fmt.Errorf("cannot discard a trial: %w", err)
	}
	defer up.Close()
	if err := up.RemoveAll(path.Base(tr.d.Stage)); err != nil {
		return fmt.Errorf("cannot discard a trial: %w", err)
	}
	return nil
}
