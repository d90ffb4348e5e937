package agent

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// afterLimit bounds what is asked once the stores are as wanted: that only
// tells, and keeps nobody waiting for long.
const afterLimit = time.Minute

// askAndLearn asks, and remembers what was told.
func (a *Agent) askAndLearn(ctx context.Context, o Order, r Result, steps []Step) Evidence {
	ev := a.ask(ctx, o, r, steps)
	if a.State != nil && len(ev.Verdicts) > 0 {
		if err := a.remembered().learn(ev.Verdicts, leavers(steps), o.now()).Keep(a.State); err != nil {
			ev.Blind = append(ev.Blind, err.Error())
		}
	}
	return ev
}

// aftermath looks after what a pass took out. What went because no service
// seemed to need it is put back where one did need it, once; of what went by a
// decision it is told what broke.
func (c *cycle) aftermath(ctx context.Context, before Result, steps []Step) error {
	var weighed, decided []Step
	for _, s := range steps {
		switch {
		case !s.Change.Leaves() || !c.left(s):
		case s.weighed:
			weighed = append(weighed, s)
		case s.How != ledger.Expired && s.How != ledger.Unread:
			decided = append(decided, s)
		}
	}
	if c.Probing == nil || len(weighed)+len(decided) == 0 {
		return nil
	}
	if !c.ev.Asked {
		short, cancel := context.WithTimeout(ctx, afterLimit)
		defer cancel()
		c.ev = c.ask(short, c.Order, c.r, steps) // only to tell: a run that dies before leaves nothing else behind
		decided = broken(before, c.r, decided, c.ev)
	}
	for _, s := range decided {
		c.tell(s)
	}
	return c.putBack(ctx, before, c.stillNeeded(ctx, before, weighed))
}

// left reports whether a root was taken out.
func (c *cycle) left(s Step) bool {
	row := c.r.row(s.Change.Store, s.Change.Root.Fingerprint)
	return row != nil && (row.State == trust.Absent || row.State == trust.Refused)
}

// between is a store before a pass and after it.
func between(before, after Result, id trust.StoreID) hold {
	var h hold
	if v := before.view(id); v != nil {
		h.now = compiled(v.Snapshot, false)
	}
	if v := after.view(id); v != nil {
		h.stays = compiled(v.Snapshot, true)
	}
	return h
}

// broken says of each step what it broke.
func broken(before, after Result, steps []Step, ev Evidence) []Step {
	steps = slices.Clone(steps)
	for i, s := range steps {
		breaks, _ := between(before, after, s.Change.Store).dependents(ev, s.Change.Root.Fingerprint, nil)
		steps[i].Breaks = services(breaks)
	}
	return steps
}

// change returns what became of a step.
func (c *cycle) change(s Step) *Changed {
	for i, ch := range c.changes {
		if ch.Change.Same(s.Change) {
			return &c.changes[i]
		}
	}
	return nil
}

// tell adds to a change what it broke.
func (c *cycle) tell(s Step) {
	ch := c.change(s)
	if ch == nil || len(s.Breaks) == 0 {
		return
	}
	ch.Breaks = s.Breaks
	note := names(s.Breaks) + " verified by it alone, and no longer does"
	if s.Gone != nil && s.Change.Op == trust.Withdraw {
		note += fmt.Sprintf("; to keep the root for a while, put it in again and say 'anchorhold suspend %s --for 48h REASON'", s.Change.Root.Fingerprint.Short())
	}
	ch.Notes = append(ch.Notes, note)
}

// stillNeeded asks those once more that verified before, and returns the steps
// after which one of them does not, for the reason of its chain.
func (c *cycle) stillNeeded(ctx context.Context, before Result, steps []Step) []Step {
	if len(steps) == 0 {
		return nil
	}
	var targets []trust.Target
	for _, k := range c.ev.Endpoints {
		if carried(before, k) && !k.Before && !slices.Contains(targets, k.Target) {
			targets = append(targets, k.Target)
		}
	}
	if len(targets) == 0 {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, askLimit)
	defer cancel()
	in, more := c.r.judges(c.Policy, steps)
	verdicts, err := c.Probing.Probe(ctx, targets, in, more)
	if err != nil {
		c.ev.Blind = append(c.ev.Blind, "no service could be asked once more after the change: "+err.Error())
		return nil
	}
	var again Evidence
	for _, v := range verdicts {
		again.Endpoints = append(again.Endpoints, Remembered{}.known(v, c.now())...)
	}
	return slices.DeleteFunc(broken(before, c.r, steps, again), func(s Step) bool { return len(s.Breaks) == 0 })
}

// carried reports whether a store held a root by which an endpoint verifies.
func carried(r Result, k Known) bool {
	for _, v := range r.Stores {
		for _, part := range compiled(v.Snapshot, false) {
			if slices.ContainsFunc(k.Anchors, func(fp root.Fingerprint) bool { return part[fp] }) {
				return true
			}
		}
	}
	return false
}

// putBack places again what turned out to be needed.
func (c *cycle) putBack(ctx context.Context, before Result, steps []Step) error {
	if len(steps) == 0 {
		return nil
	}
	var places []Step
	for _, s := range steps {
		place := Step{Want: s.Want}
		place.Change = trust.Change{Store: s.Change.Store, Op: trust.Place, Root: s.Change.Root,
			Why: "put back: " + names(s.Breaks) + " verified no longer without it"}
		if v := c.r.view(s.Change.Store); v != nil {
			place.Placement = v.Snapshot.Placement(s.Change.Root.Fingerprint)
		}
		places = append(places, place)
	}
	// A root that is out and needed is put back whoever calls it off.
	ctx = context.WithoutCancel(ctx)
	made, err := c.carryOut(ctx, c.Order, places, c.r, &c.seen)
	c.changes = append(c.changes, made...)
	if err != nil {
		return err
	}
	c.r = c.look(ctx, c.Order)
	if err := c.settle(c.r, c.Ledger.Pending(), made, c.Now); err != nil {
		return err
	}
	for _, s := range steps {
		if ch := c.change(s); ch != nil {
			ch.Breaks = s.Breaks
			end := "it was put back"
			if c.left(s) {
				end = "it could not be put back: 'anchorhold history' says why"
			}
			ch.Err = fmt.Errorf("%s verified no longer without it; %s. Look why its chain was judged otherwise before: anchorhold probe %s", names(s.Breaks), end, strings.Join(addressesOf(s.Breaks), " "))
		}
	}
	return nil
}

func addressesOf(all []Dependent) []string {
	var a []string
	for _, d := range all {
		if !slices.Contains(a, d.Address) {
			a = append(a, d.Address)
		}
	}
	return first(a, listed)
}

// asMeant reports whether a change was read back: what was put back is there
// although the policy takes it out.
func asMeant(op trust.Op, row Row) bool {
	if op == trust.Place && row.Want.Standing != policy.Trusted {
		return row.State == trust.Lingering
	}
	return row.Right || row.Beyond
}
