package native

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// winTurn is the order of a batch: what makes services verify comes first.
var winTurn = []trust.Op{trust.Unblock, trust.Place, trust.Block, trust.Withdraw}

// winName is what people read in the certificate console.
func winName(fp root.Fingerprint) string { return winMark + ": root " + fp.Short() }

// Apply implements [trust.Store]. It holds the machine's lock from the look to
// the read-back: two writers at once bring back what the other took out
// (measured).
func (w *Windows) Apply(ctx context.Context, x trust.Trial) []trust.Outcome {
	batch := x.Batch()
	out := make([]trust.Outcome, len(batch))
	for i, c := range batch {
		out[i] = trust.Outcome{Change: c, Status: trust.Failed, Err: errors.New("it was not reached")}
	}
	fail := func(err error) []trust.Outcome {
		for i := range out {
			out[i].Err = err
		}
		return out
	}
	t, mine := x.(*winTrial)
	if !mine || t.used {
		return fail(errors.New("the trial was used already, or is of another store"))
	}
	t.used = true
	release, err := w.api.Lock(ctx, w.LockLimit)
	if err != nil {
		return fail(err)
	}
	defer release()
	st, err := w.look(ctx)
	if err != nil {
		return fail(err)
	}
	for _, op := range winTurn {
		for i, c := range batch {
			if c.Op != op {
				continue
			}
			if out[i].Err = t.bad[i]; out[i].Err == nil {
				out[i].Notes, out[i].Err = w.carryOut(ctx, st, c)
			}
		}
	}
	w.readBack(context.WithoutCancel(ctx), out)
	return out
}

func (w *Windows) carryOut(ctx context.Context, st *winState, c trust.Change) (notes []string, err error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	fp := c.Root.Fingerprint
	switch c.Op {
	case trust.Place:
		return w.place(st, c)
	case trust.Unblock:
		return nil, w.take(winDisallowed, st.blocked[fp])
	case trust.Block:
		der := c.Root.DER
		if der == nil {
			der = st.snap.Entries[fp].DER
		}
		if der == nil {
			return nil, errors.New("Windows refuses a certificate, not a fingerprint: name the root's file in the policy")
		}
		if _, there := st.blocked[fp]; !there {
			if err := w.write(winDisallowed, true, func(s winStore) error { return s.Add(der, winName(fp)) }); err != nil {
				return nil, err
			}
		}
	}
	if err := w.clear(fp, st.own[fp]); err != nil {
		return nil, err
	}
	if c.Sweep {
		return w.sweep(fp), nil
	}
	return nil, nil
}

func (w *Windows) place(st *winState, c trust.Change) (notes []string, err error) {
	fp := c.Root.Fingerprint
	if st.refused[fp] {
		if _, there := st.blocked[fp]; !there {
			return nil, errors.New("a directory's list of untrusted certificates refuses it: ask " + winRoots[1].who)
		}
		if !w.unblocked(fp) {
			return nil, errors.New("this machine's list of untrusted certificates refuses it, and it was not put there by us; whoever did takes it out (certlm.msc, Untrusted Certificates)")
		}
	}
	if _, there := st.own[fp]; there && !st.broken(fp) {
		return nil, nil
	}
	if p := st.snap.Placement(fp); p.State == trust.Placed && !c.Own {
		return nil, nil
	}
	if st.broken(fp) { // the key of that name holds something that programs pass over
		if err := w.clear(fp, st.own[fp]); err != nil {
			return nil, err
		}
	}
	return nil, w.write(winRoot, false, func(s winStore) error { return s.Add(c.Root.DER, winName(fp)) })
}

// unblocked reports whether a refusal that was there when the batch began has
// gone by now, by an unblock of the same batch.
func (w *Windows) unblocked(fp root.Fingerprint) bool {
	gone := true
	w.each(winMachine+`\`+winDisallowed, nil, func(_ winKey, b blob) { gone = gone && root.Of(b.der) != fp })
	return gone
}

// broken reports whether every copy of ours is one that programs pass over.
func (st *winState) broken(fp root.Fingerprint) bool {
	copies := slices.DeleteFunc(slices.Clone(st.snap.Entries[fp].Locations), func(l trust.Location) bool {
		return l.Part != partSource || l.Origin != trust.FromLocal
	})
	return len(copies) > 0 && !slices.ContainsFunc(copies, func(l trust.Location) bool { return l.Idle == "" })
}

// write changes one physical store and commits: what is not committed may be
// lost with the next handle (measured).
func (w *Windows) write(store string, create bool, change func(winStore) error) error {
	s, err := w.api.Open(store, create)
	if err != nil {
		return fmt.Errorf("cannot open %s: %w", store, err)
	}
	if err := change(s); err != nil {
		return errors.Join(fmt.Errorf("cannot change %s: %w", store, err), s.Close())
	}
	if err := s.Commit(); err != nil {
		return errors.Join(fmt.Errorf("cannot make the change of %s last: %w", store, err), s.Close())
	}
	return s.Close()
}

// maxCopies bounds how many copies of one certificate are taken out.
const maxCopies = 16

// take takes every copy of exactly these bytes out of a store; nil is none.
func (w *Windows) take(store string, der []byte) error {
	if der == nil {
		return nil
	}
	return w.write(store, false, func(s winStore) error {
		for range maxCopies { // from the start after each: going on behind a deleted one never ends (measured)
			found, err := s.Delete(der)
			if err != nil || !found {
				return err
			}
		}
		return fmt.Errorf("it held more than %d copies of the certificate", maxCopies)
	})
}

// clear takes a root out of the physical store, with keys that the platform
// itself passes over, and so never finds.
func (w *Windows) clear(fp root.Fingerprint, der []byte) error {
	if err := w.take(winRoot, der); err != nil {
		return err
	}
	var errs []error
	at := winMachine + `\` + winRoot
	w.each(at, nil, func(k winKey, b blob) {
		if root.Of(b.der) != fp || k.Name == thumb(b.der) && idle(k, b) == "" {
			return
		}
		if err := w.api.Drop(at, k.Name); err != nil && !errors.Is(err, fs.ErrNotExist) {
			errs = append(errs, fmt.Errorf("cannot take %s out of %s: %w", shown(k.Name), at, err))
		}
	})
	return errors.Join(errs...)
}

// sweep takes a root out of the stores of the accounts that are signed in, key
// by key: never by a handle that merges an account's store with the machine's.
func (w *Windows) sweep(fp root.Fingerprint) (notes []string) {
	stores, blind := w.userStores()
	for _, u := range stores {
		at := u.at + `\` + winRoot
		w.each(at, nil, func(k winKey, b blob) {
			if root.Of(b.der) != fp {
				return
			}
			if err := w.api.Drop(at, k.Name); err != nil && !errors.Is(err, fs.ErrNotExist) {
				notes = append(notes, fmt.Sprintf("the copy of account %s could not be taken out: %v", u.whose, err))
			} else {
				notes = append(notes, "the copy in the store of "+u.whose+" was taken out")
			}
		})
	}
	if len(blind) > 0 {
		notes = append(notes, "not inspected, because they are not signed in: "+few(blind))
	}
	return notes
}

// readBack looks again, with fresh handles, and believes nothing else.
func (w *Windows) readBack(ctx context.Context, out []trust.Outcome) {
	now, err := w.look(ctx)
	for i, o := range out {
		if o.Err == nil {
			if o.Err = err; err == nil {
				o.Err = now.judge(o.Change)
			}
		}
		if o.Err == nil {
			o.Status = trust.Done
		} else {
			o.Err = fmt.Errorf("cannot %s: %w", o.Change, o.Err)
		}
		out[i] = o
	}
}

// judge says what keeps a change from being done.
func (st *winState) judge(c trust.Change) error {
	p := st.snap.Placement(c.Root.Fingerprint)
	switch c.Op {
	case trust.Place:
		if p.State != trust.Placed {
			return errors.New("it did not read back as placed: it is " + string(p.State) + "; " + strings.Join(p.Reasons, "; "))
		}
	case trust.Block:
		if p.State != trust.Refused {
			return errors.New("it did not read back as refused: it is " + string(p.State))
		}
	case trust.Unblock:
		if st.refused[c.Root.Fingerprint] {
			return errors.New("a list that is not ours refuses it still: ask " + winRoots[1].who)
		}
	case trust.Withdraw:
		for _, l := range p.Found {
			if l.Origin != trust.FromLocal && l.Part == partSource {
				return fmt.Errorf("it stays, since %s comes from elsewhere; who can take it out: %s", l.Path, who(l.Path))
			}
		}
		if p.State != trust.Absent && p.State != trust.Refused {
			return errors.New("it did not read back as gone: it is " + string(p.State))
		}
	}
	return nil
}

func who(at string) string {
	for _, r := range winRoots[1:] {
		if strings.HasPrefix(at, r.home+`\`+r.store+`\`) {
			return r.who
		}
	}
	return "an administrator"
}
