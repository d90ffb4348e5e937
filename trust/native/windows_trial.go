package native

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// winTrial is a batch that was looked over, with what the store held then.
// Windows builds nothing beside the live store.
type winTrial struct {
	w      *Windows
	before *winState
	batch  []trust.Change
	bad    []error // why a change will not be carried out
	notes  []string
	used   bool
}

// Try implements [trust.Store].
func (w *Windows) Try(ctx context.Context, batch []trust.Change) (trust.Trial, error) {
	st, err := w.look(ctx)
	if err != nil {
		return nil, err
	}
	for _, p := range st.snap.Parts {
		if p.Kind != trust.Aside && p.Unread != "" {
			return nil, fmt.Errorf("cannot change store %s before it can be read: %s: %s", w.ID(), p.Path, p.Unread)
		}
	}
	t := &winTrial{w: w, before: st, batch: slices.Clone(batch), bad: make([]error, len(batch))}
	for i, c := range t.batch {
		if t.bad[i] = t.check(c); t.bad[i] == nil && c.Op == trust.Place {
			t.notes = append(t.notes, st.twins(c.Root)...)
		}
	}
	return t, nil
}

func (t *winTrial) check(c trust.Change) error {
	if err := c.Check(); err != nil {
		return err
	}
	if c.Store != t.w.ID() {
		return fmt.Errorf("cannot %s: this is store %s", c, t.w.ID())
	}
	for _, o := range t.batch {
		if o.Root.Fingerprint == c.Root.Fingerprint && brings(o.Op) != brings(c.Op) {
			return fmt.Errorf("cannot %s: the same batch wants to %s it", c, o.Op)
		}
	}
	if c.Op != trust.Place {
		return nil
	}
	// The platform takes what is no root without a word, and keeps bytes that
	// stand behind the certificate (measured).
	got, err := root.Parse(c.Root.DER)
	switch {
	case err != nil:
		return fmt.Errorf("cannot %s: %w", c, err)
	case got.Trailing > 0 || got.X509Err != nil:
		return fmt.Errorf("cannot %s: it is no certificate that programs can read", c)
	case got.Role() != root.RoleRoot:
		return fmt.Errorf("cannot %s: it is no root but a certificate of the kind %s", c, got.Role())
	case got.X509.CheckSignatureFrom(got.X509) != nil:
		return fmt.Errorf("cannot %s: its own signature is broken", c)
	}
	return nil
}

// twins tells of other certificates of the same issuer and serial number, for
// which the platform's own search takes one for the other.
func (st *winState) twins(r trust.Root) (notes []string) {
	c, err := root.Parse(r.DER)
	if err != nil || c.X509 == nil {
		return nil
	}
	for fp := range st.own {
		o, err := root.Parse(st.own[fp])
		if fp == r.Fingerprint || err != nil || o.X509 == nil {
			continue
		}
		if string(o.X509.RawIssuer) == string(c.X509.RawIssuer) && o.X509.SerialNumber.Cmp(c.X509.SerialNumber) == 0 {
			notes = append(notes, fmt.Sprintf("root %s in the store has the issuer and the serial number of %s: tools that go by those take one for the other", fp.Short(), r.Fingerprint.Short()))
		}
	}
	slices.Sort(notes)
	return notes
}

// Batch implements [trust.Trial].
func (t *winTrial) Batch() []trust.Change { return slices.Clone(t.batch) }

// Staged implements [trust.Trial].
func (t *winTrial) Staged() []trust.Part { return nil }

// Leaving implements [trust.Trial]: each change names one certificate.
func (t *winTrial) Leaving() []trust.Leaving { return nil }

// Notes implements [trust.Trial].
func (t *winTrial) Notes() []string { return t.notes }

// Discard implements [trust.Trial].
func (t *winTrial) Discard(context.Context) error {
	t.used = true
	return nil
}

// Restore implements [trust.Restorer]: roots of the machine's own store that no
// change of the batch took out, and that are gone from it, come back.
func (t *winTrial) Restore(ctx context.Context, part string) error {
	if part != trust.PlatformPart {
		return fmt.Errorf("cannot put %s back: it is not written to", part)
	}
	release, err := t.w.api.Lock(ctx, t.w.LockLimit)
	if err != nil {
		return err
	}
	defer release()
	now, err := t.w.look(ctx)
	if err != nil {
		return err
	}
	var errs []error
	for fp, der := range t.before.own {
		out := slices.ContainsFunc(t.batch, func(c trust.Change) bool { return c.Root.Fingerprint == fp && !brings(c.Op) })
		if _, there := now.own[fp]; !out && !there {
			errs = append(errs, t.w.write(winRoot, false, func(s winStore) error { return s.Add(der, winName(fp)) }))
		}
	}
	return errors.Join(errs...)
}
