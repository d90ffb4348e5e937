package agent

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// Agent drives the stores of one host.
type Agent struct {
	Stores  []trust.Store
	Ledger  *ledger.Ledger // nil where the caller may not read it: nothing can be changed then
	Prover  trust.Prover
	Witness trust.Witness // nil: nobody is asked
	Log     *slog.Logger

	Probing   trust.Prober // nil: no service is asked
	Own       []trust.Target
	Listeners Listeners
	State     Dir // nil: nothing is remembered of services
}

// Order is what one run is about.
type Order struct {
	Policy policy.Verified
	Host   policy.HostFacts
	Force  string             // a person's reason to go on although services could break
	Only   []root.Fingerprint // the roots that the reason is about; none: the one that is held
	Now    time.Time

	Suspended Suspensions // what an operator of this host keeps as it is
}

// Look observes and proves, changes nothing, and asks no service.
func (a *Agent) Look(ctx context.Context, o Order) Result {
	r := a.look(ctx, o)
	_, held := a.guard(o, r, a.steps(o, r), Evidence{})
	r.advise(held, a.Probing != nil)
	r.Successions = a.successions(o, r, a.recall(o))
	return r
}

func (a *Agent) look(ctx context.Context, o Order) Result {
	var r Result
	for _, s := range a.Stores {
		v := StoreView{Store: s.ID(), Capabilities: s.Capabilities()}
		v.Snapshot, v.Err = s.Observe(ctx)
		if !errors.Is(v.Err, trust.ErrAbsent) {
			r.Stores = append(r.Stores, v)
		}
	}
	wants, waiting := Wants(o.Policy, o.Host)
	r.Waiting = waiting
	a.judgeAll(ctx, o, wants, &r)
	a.bury(&r)
	r.Unlisted = a.unlisted(o.Policy)
	r.Suspended = o.Suspended.InForce(o.now())
	a.unknown(&r)
	return r
}

func (a *Agent) judgeAll(ctx context.Context, o Order, wants []Want, r *Result) {
	var claims []trust.Claim
	for _, w := range wants {
		if v := r.view(w.Store); v != nil && v.Err == nil {
			claims = append(claims, claim(w, v.Snapshot, o.Policy.Now())...)
		}
	}
	asked := map[root.Fingerprint]bool{}
	for _, c := range claims {
		asked[c.Root.Fingerprint] = true
	}
	var proofs []trust.Proof
	var unable error
	if len(claims) > 0 {
		proofs, unable = a.Prover.Prove(ctx, claims)
	}
	for _, w := range wants {
		v := r.view(w.Store)
		if v == nil || v.Err != nil {
			r.Rows = append(r.Rows, missingStore(w, v))
			continue
		}
		mine := slices.DeleteFunc(slices.Clone(proofs), func(p trust.Proof) bool {
			return p.Store != w.Store || p.Root != w.Root.Fingerprint
		})
		row := judge(w, v.Snapshot.Placement(w.Root.Fingerprint), mine, a.owned())
		switch {
		case unable != nil:
			row.Right, row.Known = false, false
			row.Reasons = append(row.Reasons, fmt.Sprintf("no account could be asked: %v", unable))
		case asked[w.Root.Fingerprint] && row.Right && len(mine) == 0:
			row.Right, row.Known = false, false
			row.Reasons = append(row.Reasons, "no account answered for it")
		}
		r.Rows = append(r.Rows, row)
	}
}

// claim says what has to be proven of a want: nothing where it is plainly not
// as wanted yet.
func claim(w Want, s trust.Snapshot, now time.Time) []trust.Claim {
	p := s.Placement(w.Root.Fingerprint)
	c := trust.Claim{Store: w.Store, Root: w.Root, Copies: p.Found, Sample: w.Sample, At: now}
	for _, part := range s.Parts {
		if part.Present && part.Kind == trust.Compiled && part.Opaque == "" {
			c.Parts = append(c.Parts, part)
		}
	}
	switch {
	case w.Standing == policy.Trusted && (p.State == trust.Placed || p.Beyond()):
	case w.Standing != policy.Trusted && (p.State == trust.Absent || p.State == trust.Refused):
		c.Gone = true
	default:
		return nil
	}
	return []trust.Claim{c}
}

func (a *Agent) unlisted(p policy.Verified) []ledger.Entry {
	if a.Ledger == nil || p.IsZero() {
		return nil
	}
	doc := p.Document()
	return slices.DeleteFunc(a.Ledger.Owned(), func(e ledger.Entry) bool {
		return slices.ContainsFunc(doc.Roots, func(r policy.Root) bool { return r.SHA256 == e.Root })
	})
}

// Preview looks, asks the services that something would break for, and plans;
// it changes nothing.
func (a *Agent) Preview(ctx context.Context, o Order) Result {
	r := a.look(ctx, o)
	steps := a.steps(o, r)
	ev := a.ask(ctx, o, r, steps.going)
	r.Planned, r.Held = a.guard(o, r, steps, ev)
	r.advise(r.Held, false)
	r.Evidence = ev
	if !ev.Asked {
		ev = a.recall(o)
	}
	r.Successions = a.successions(o, r, ev)
	return r
}

// planned is what a plan comes to before any service has its say.
type planned struct {
	wants   []Want
	going   []Step
	waiting []Held
}

func (a *Agent) steps(o Order, r Result) planned {
	d := planned{wants: make([]Want, len(r.Rows))}
	for i, row := range r.Rows {
		d.wants[i] = row.Want
	}
	var old []Held
	d.going, d.waiting = o.Suspended.hold(a.gone(Plan(d.wants, r.observed(), a.owned())), o.now())
	d.going, old = begun(d.going, a.owned(), o.Policy.Stale())
	d.waiting = append(d.waiting, old...)
	return d
}

func (a *Agent) guard(o Order, r Result, d planned, ev Evidence) ([]Step, []Held) {
	allowed, held := Guard(d.going, d.wants, Facts{Ready: r.ready, Stores: r.observed(), Evidence: ev}, o.force())
	allowed = append(allowed, mend(d.wants, r.observed(), allowed, o)...)
	return allowed, append(d.waiting, held...)
}

// passes bounds how often one cycle goes through: a successor that was placed
// and proven in the first pass lets its predecessor go in the second.
const passes = 2

// Cycle makes the stores as the policy wants them: once through, one refresh a
// store, and a second time only for steps that waited for the first.
func (a *Agent) Cycle(ctx context.Context, o Order) (Result, error) {
	if a.Ledger == nil {
		return Result{}, errors.New("cannot change anything without the ledger")
	}
	c := cycle{Agent: a, Order: o}
	c.r = a.look(ctx, o)
	err := a.settle(c.r, a.Ledger.Pending(), nil, o.Now)
	for range passes {
		again := false
		if err == nil {
			again, err = c.pass(ctx)
		}
		if !again {
			break
		}
	}
	return c.end(ctx, err)
}

// cycle is one Cycle under way.
type cycle struct {
	*Agent
	Order
	r       Result
	ev      Evidence
	changes []Changed
	held    []Held
	seen    []Witnessed
}

// pass goes through once, and reports whether something waited for it.
func (c *cycle) pass(ctx context.Context) (again bool, err error) {
	d := c.steps(c.Order, c.r)
	if !c.ev.Asked && undecided(d.going, d.wants, c.r.ready, c.force()) {
		c.ev = c.askAndLearn(ctx, c.Order, c.r, d.going)
	}
	var steps []Step
	steps, c.held = c.guard(c.Order, c.r, d, c.ev)
	if steps = untried(steps, c.changes); len(steps) == 0 {
		return false, nil
	}
	before := c.r
	made, err := c.carryOut(ctx, c.Order, steps, c.r, &c.seen)
	c.changes = append(c.changes, made...)
	if err != nil {
		return false, err
	}
	c.r = c.look(ctx, c.Order)
	if err := c.settle(c.r, c.Ledger.Pending(), made, c.Now); err != nil {
		return false, err
	}
	if err := c.aftermath(ctx, before, steps); err != nil {
		return false, err
	}
	return slices.ContainsFunc(c.held, func(h Held) bool { return h.Again }), nil
}

// end sums up, also what was done before an error.
func (c *cycle) end(ctx context.Context, err error) (Result, error) {
	r := &c.r
	r.Changes, r.Held, r.Witnessed, r.Evidence = c.changes, c.held, c.seen, c.ev
	if err != nil {
		return *r, err
	}
	if err := c.notice(*r, c.Order); err != nil {
		return *r, err
	}
	c.bury(r)
	r.own(c.owned())
	confirm(r)
	r.advise(r.Held, false)
	ev := c.ev
	if !ev.Asked {
		ev = c.recall(c.Order)
	}
	r.Successions = c.successions(c.Order, *r, ev)
	return *r, nil
}

// untried leaves out what this cycle tried already: what failed once is not
// tried in a hurry again.
func untried(steps []Step, made []Changed) []Step {
	return slices.DeleteFunc(steps, func(s Step) bool {
		return slices.ContainsFunc(made, func(c Changed) bool {
			return c.Change.Same(s.Change)
		})
	})
}

// carryOut records, tries and applies the steps, store by store. A store that
// fails does not stop another; only a ledger that cannot be written does.
func (a *Agent) carryOut(ctx context.Context, o Order, steps []Step, r Result, seen *[]Witnessed) ([]Changed, error) {
	var made []Changed
	for _, s := range a.Stores {
		var batch []trust.Change
		var intents []ledger.Intent
		for _, st := range steps {
			if st.Change.Store != s.ID() {
				continue
			}
			batch = append(batch, st.Change)
			in := ledger.Intent{Change: st.Change, How: st.How, Refused: r.refuses(s.ID(), st.Change.Root.Fingerprint)}
			for _, l := range sources(st.Placement) {
				in.Before = append(in.Before, l.Path)
			}
			intents = append(intents, in)
		}
		if len(batch) == 0 {
			continue
		}
		if err := a.Ledger.Begin(intents, o.policyName(), o.Now); err != nil {
			return made, err
		}
		f := refresh{Agent: a, store: s, batch: batch, Witnessed: Witnessed{Store: s.ID()}}
		if v := r.view(s.ID()); v != nil {
			f.live = v.Snapshot.Parts
		}
		f.before = lastHeard(*seen, s.ID())
		outcomes := f.carryOut(ctx)
		if a.Witness != nil {
			*seen = append(*seen, f.Witnessed)
		}
		for _, oc := range outcomes {
			ch := Changed{Change: oc.Change, Err: oc.Err, Notes: oc.Notes}
			if oc.Change.Leaves() {
				ch.StillRead, ch.Absent = readBy(f.After, oc.Change.Root.Fingerprint)
			}
			made = append(made, ch)
			a.Log.Info("change", "change", oc.Change.String(), "status", string(oc.Status), "error", oc.Err, "why", oc.Change.Why)
		}
	}
	return made, nil
}

// settle closes what the ledger has pending by what was just observed.
func (a *Agent) settle(r Result, pending []ledger.Pending, made []Changed, now time.Time) error {
	var seen []ledger.Seen
	for _, p := range pending {
		v := r.view(p.Store)
		if v == nil || v.Err != nil {
			continue // not observed: it stays pending
		}
		pl := v.Snapshot.Placement(p.Root)
		s := ledger.Seen{Pending: p, State: pl.State, Status: "interrupted", Refused: v.Snapshot.Entries[p.Root].Blocked}
		for _, l := range sources(pl) {
			if l.Origin != trust.FromPackage { // what a package brings, and an unblock lets in again, is none of ours
				s.Copies = append(s.Copies, l.Path)
			}
		}
		for _, c := range made {
			if c.Change.Store == p.Store && c.Change.Op == p.Op && c.Change.Root.Fingerprint == p.Root {
				s.Status = "done"
				if c.Err != nil {
					s.Status, s.Error = "failed", c.Err.Error()
				}
				s.Read = len(c.StillRead) > 0
			}
		}
		if row := r.row(p.Store, p.Root); row != nil {
			for _, pr := range row.Proofs {
				if pr.Holds {
					s.Proven = append(s.Proven, pr.Account)
				}
			}
			if s.Status == "done" && row.Known && !asMeant(p.Op, *row) {
				s.Status = "failed"
				s.Error = strings.Join(append([]string{"not as wanted when read back"}, row.Reasons...), "; ")
			}
		}
		seen = append(seen, s)
	}
	if len(seen) == 0 {
		return nil
	}
	return a.Ledger.End(seen, now)
}

// confirm turns changes that did not read back into failures: words and exit
// codes prove nothing.
func confirm(r *Result) {
	for i, c := range r.Changes {
		row := r.row(c.Change.Store, c.Change.Root.Fingerprint)
		if c.Err == nil && row != nil && row.Known && !asMeant(c.Change.Op, *row) {
			r.Changes[i].Err = fmt.Errorf("%s did not read back: %s", c.Change, strings.Join(row.Reasons, "; "))
		}
	}
}
