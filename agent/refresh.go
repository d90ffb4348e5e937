package agent

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust"
)

// Witnessed is what the readers of a host said around one refresh of a store.
type Witnessed struct {
	Store  trust.StoreID
	Before []trust.Testimony // the live store before
	Staged []trust.Testimony // the store as it would be; nil where none was built
	After  []trust.Testimony // the live store after; nil where nothing went live
}

// Last returns what was said of the live store last.
func (w Witnessed) Last() []trust.Testimony {
	if w.After != nil {
		return w.After
	}
	return w.Before
}

// lastHeard is what earlier refreshes of this cycle leave to know: nobody needs
// to be asked again about a store that nobody touched since.
func lastHeard(seen []Witnessed, id trust.StoreID) []trust.Testimony {
	for _, w := range slices.Backward(seen) {
		if w.Store == id {
			return w.Last()
		}
	}
	return nil
}

// refresh is one batch on its way into one store.
type refresh struct {
	*Agent
	Witnessed
	store  trust.Store
	live   []trust.Part
	batch  []trust.Change
	before []trust.Testimony // known already
}

// fail ends every change of the batch.
func (f *refresh) fail(err error) []trust.Outcome {
	out := make([]trust.Outcome, len(f.batch))
	for i, c := range f.batch {
		out[i] = trust.Outcome{Change: c, Status: trust.Failed, Err: err}
	}
	return out
}

// carryOut tries the batch and takes it live, unless the store as it would be
// lacks a root that nobody took out, or a reader would lose one.
func (f *refresh) carryOut(ctx context.Context) []trust.Outcome {
	before := f.attestLive(ctx)
	t, err := f.store.Try(ctx, f.batch)
	f.Before = before()
	if err != nil {
		return f.fail(err)
	}
	leaving := t.Leaving()
	if err := errors.Join(f.unexplained(leaving), f.tried(ctx, t, leaving)); err != nil {
		return f.fail(errors.Join(err, t.Discard(ctx)))
	}
	outcomes := f.store.Apply(ctx, t)
	if len(outcomes) > 0 { // what concerns the store as a whole is told once
		outcomes[0].Notes = append(t.Notes(), outcomes[0].Notes...)
	}
	// What is live by now is looked at whoever calls it off.
	if err := f.wentLive(context.WithoutCancel(ctx), t, append(leaving, t.Leaving()...)); err != nil {
		for i := range outcomes {
			if outcomes[i].Err != nil {
				outcomes[i].Err = fmt.Errorf("%w; %w", outcomes[i].Err, err)
			} else {
				outcomes[i].Status, outcomes[i].Err = trust.Failed, err
			}
		}
	}
	f.stillRead(context.WithoutCancel(ctx), outcomes)
	return outcomes
}

// stillRead fails what was to take a root out that a reader still reads, asked
// twice.
func (f *refresh) stillRead(ctx context.Context, outcomes []trust.Outcome) {
	if f.Witness == nil {
		return
	}
	for again := range 2 {
		bad := false
		for i, o := range outcomes {
			still, _ := readBy(f.After, o.Change.Root.Fingerprint)
			if o.Change.Op != trust.Withdraw && o.Change.Op != trust.Block || o.Err != nil || len(still) == 0 {
				continue
			}
			bad = true
			if again > 0 {
				outcomes[i].Status = trust.Failed
				outcomes[i].Err = fmt.Errorf("store %s was refreshed, and %s still reads %s in it: look at 'anchorhold verify' for another copy, then enforce again", f.store.ID(), strings.Join(still, ", "), o.Change.Root.Fingerprint.Short())
			}
		}
		if !bad || again > 0 {
			return
		}
		f.After = f.Witness.Attest(ctx, f.live)
	}
}

func (f *refresh) unexplained(leaving []trust.Leaving) error {
	var lost []string
	for _, l := range leaving {
		if l.Explained == "" {
			lost = append(lost, l.Entry.Fingerprint.Short())
		}
	}
	if len(lost) == 0 {
		return nil
	}
	return fmt.Errorf("cannot refresh store %s: %d roots that nobody took out would be gone from it (%s); nothing was changed", f.store.ID(), len(lost), some(lost, 5))
}

// attestLive has the live store read while the other one is being built: that
// changes nothing in it.
func (f *refresh) attestLive(ctx context.Context) (wait func() []trust.Testimony) {
	if f.Witness == nil || f.before != nil {
		return func() []trust.Testimony { return f.before }
	}
	said := make(chan []trust.Testimony, 1)
	go func() { said <- f.Witness.Attest(ctx, f.live) }()
	return func() []trust.Testimony { return <-said }
}

// tried has every reader read the store as it would be. What looks like a loss
// is asked again, and the live store too: a reader that cannot read that one
// any more, or contradicts itself, says nothing about the other.
func (f *refresh) tried(ctx context.Context, t trust.Trial, leaving []trust.Leaving) error {
	parts := t.Staged()
	if f.Witness == nil || len(parts) == 0 {
		return nil
	}
	f.Staged = f.Witness.Attest(ctx, parts)
	losses := trust.Compare(f.Before, reachable(f.Staged), f.batch, leaving)
	if len(losses) == 0 {
		return nil
	}
	sure := trust.Agreed(f.Before, f.Witness.Attest(ctx, f.live))
	f.Staged = f.Witness.Attest(ctx, parts)
	losses = trust.Both(losses, trust.Compare(sure, reachable(f.Staged), f.batch, leaving))
	if len(losses) == 0 {
		return nil
	}
	return fmt.Errorf("cannot refresh store %s: read as it would be, %s; nothing was changed. 'anchorhold verify' names the files that cost readers roots: mend those and enforce again",
		f.store.ID(), told(losses))
}

// reachable leaves out what the witness's account may not read where a store
// is tried: that says nothing of how it is read where it belongs.
func reachable(staged []trust.Testimony) []trust.Testimony {
	return slices.DeleteFunc(slices.Clone(staged), func(t trust.Testimony) bool { return t.Denied })
}

// wentLive has every reader read the store as it is now, and puts back what a
// reader lost where the store can.
func (f *refresh) wentLive(ctx context.Context, t trust.Trial, leaving []trust.Leaving) error {
	if f.Witness == nil {
		return nil
	}
	losses := f.lost(ctx, leaving)
	if len(losses) > 0 {
		losses = trust.Both(losses, f.lost(ctx, leaving))
	}
	if len(losses) == 0 {
		return nil
	}
	err := fmt.Errorf("store %s was refreshed, and now %s", f.store.ID(), told(losses))
	put := map[string]bool{}
	for _, l := range losses {
		if put[l.Part] {
			continue
		}
		put[l.Part] = true
		if back := f.restore(ctx, t, l.Part); back != nil {
			err = fmt.Errorf("%w; %w", err, back)
		} else {
			err = fmt.Errorf("%w; %s was put back as it was", err, l.Part)
		}
	}
	if still := trust.Both(losses, f.lost(ctx, leaving)); len(still) > 0 {
		return fmt.Errorf("%w; still %s: look at 'anchorhold verify'", err, told(still))
	}
	return fmt.Errorf("%w; it is whole again for every reader. Find out what spoils it (the platform's hooks?), then enforce again", err)
}

// lost asks about the live store again.
func (f *refresh) lost(ctx context.Context, leaving []trust.Leaving) []trust.Loss {
	f.After = f.Witness.Attest(ctx, f.live)
	return trust.Compare(f.Before, f.After, f.batch, leaving)
}

func (f *refresh) restore(ctx context.Context, t trust.Trial, part string) error {
	r, can := t.(trust.Restorer)
	if !can {
		return fmt.Errorf("store %s cannot put %s back", f.store.ID(), part)
	}
	return r.Restore(ctx, part)
}

func told(losses []trust.Loss) string {
	var s []string
	for _, l := range losses {
		s = append(s, l.String())
	}
	return strings.Join(s, "; ")
}
