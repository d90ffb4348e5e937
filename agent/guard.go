package agent

import (
	"fmt"
	"slices"

	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// Held is a planned step that must wait.
type Held struct {
	Step
	Reason   string
	Next     string
	Services []Dependent // for which it waits
	Asks     bool        // services decide over it
	Again    bool        // it waits for a root to be proven in place, which may happen in this very run
}

// Force is a person's reason for going on although services could break.
type Force struct {
	Reason string             // empty: nobody forces anything
	Only   []root.Fingerprint // the roots that the reason is about; none: the one that is held
}

// covers reports whether the reason is about a root, where so many are held.
func (f Force) covers(fp root.Fingerprint, held int) bool {
	return f.Reason != "" && (slices.Contains(f.Only, fp) || len(f.Only) == 0 && held == 1)
}

func (o Order) force() Force { return Force{Reason: o.Force, Only: o.Only} }

// begun leaves of the steps under a policy that has expired those that mend
// what was in force before: nothing new begins by a date that the signers
// never saw, nor by a clock that jumped.
func begun(steps []Step, owned Owned, stale bool) (mending []Step, held []Held) {
	if !stale {
		return steps, nil
	}
	for _, s := range steps {
		fp, mends := s.Change.Root.Fingerprint, false
		switch s.Change.Op {
		case trust.Place:
			mends = owned != nil && owned.Placed(s.Change.Store, fp) || len(s.Placement.Found) > 0
		case trust.Block:
			mends = owned != nil && owned.Blocked(s.Change.Store, fp)
		case trust.Withdraw:
			mends = s.Gone != nil && s.Gone.Decided()
		}
		if mends {
			mending = append(mending, s)
			continue
		}
		held = append(held, Held{Step: s, Reason: "the policy has expired, and nothing new begins under it",
			Next: "have the next version signed"})
	}
	return mending, held
}

// Facts are what Guard decides by, all gathered before.
type Facts struct {
	Ready    func(trust.StoreID, root.Fingerprint) bool // read back and proven
	Stores   map[trust.StoreID]trust.Snapshot
	Evidence Evidence
}

// Guard decides which steps may be carried out now. It is pure.
//
// A withdraw is held where a service that verifies now would verify no longer,
// naming it, and where nothing is known of a service: unknown means hold. It
// passes when its deadline has passed, when somebody forces it, when the root
// verifies nothing any more, or when it had gone already by such a decision
// and somebody brought it back; but never before its successor was read back,
// whatever anybody says. A block of a distrusted root is never held. Whatever
// passes tells what it breaks.
//
// The withdraws of a batch are judged together: what two roots carry lets only
// one of them go.
func Guard(steps []Step, wants []Want, f Facts, force Force) (allowed []Step, held []Held) {
	steps = slices.Clone(steps)
	g := guard{wants: wants, Facts: f, force: force, waits: len(doubtful(steps)), steps: steps,
		leaving: map[trust.StoreID]rootSet{}, held: map[int]Held{}, holds: map[trust.StoreID]hold{}}
	for i := range steps {
		g.decided(i)
	}
	for i, s := range steps {
		if s.Change.Op == trust.Withdraw && s.How == "" && g.held[i].Reason == "" {
			g.weigh(i)
		}
	}
	for i, s := range steps {
		if h, waits := g.held[i]; waits {
			held = append(held, h)
			continue
		}
		if s.Change.Leaves() {
			breaks, _ := g.hold(s.Change.Store).dependents(f.Evidence, s.Change.Root.Fingerprint, g.leaving[s.Change.Store])
			s.Breaks = services(breaks)
		}
		allowed = append(allowed, s)
	}
	return allowed, held
}

// guard is one decision over a batch.
type guard struct {
	Facts
	wants   []Want
	force   Force
	waits   int // roots whose withdraw only verdicts or a person could let go
	steps   []Step
	leaving map[trust.StoreID]rootSet
	held    map[int]Held
	holds   map[trust.StoreID]hold
}

// hold looks at a store once for the whole batch.
func (g *guard) hold(id trust.StoreID) hold {
	h, seen := g.holds[id]
	if !seen {
		h = holds(g.Stores[id], g.wants, g.Ready)
		g.holds[id] = h
	}
	return h
}

// decided lets go what needs no verdict.
func (g *guard) decided(i int) {
	s := &g.steps[i]
	if s.Change.Op == trust.Block {
		g.lets(i, ledger.Distrusted, "")
	}
	if s.Change.Op != trust.Withdraw {
		return
	}
	if n := successor(*s, g.wants, g.Ready); n != nil {
		g.held[i] = Held{Step: *s, Again: true,
			Reason: fmt.Sprintf("its successor %s (%s) is not proven in store %s of this host", n.Label, n.Root.Fingerprint.Short(), s.Change.Store),
			Next:   "the successor goes first; where it is not placed, 'anchorhold verify' shows what is in its way"}
		return
	}
	switch {
	case s.Want.DeadlinePassed:
		g.lets(i, ledger.Deadline, "its deadline has passed")
	case g.force.covers(s.Change.Root.Fingerprint, g.waits):
		g.lets(i, ledger.Forced, "forced: "+g.force.Reason)
	case s.Want.Expired:
		g.lets(i, ledger.Expired, "the certificate has expired and verifies nothing")
	case !s.Placement.Read:
		g.lets(i, ledger.Unread, "no reader reads it any more")
	case s.Gone != nil && s.Gone.Decided():
		g.lets(i, s.Gone.How, fmt.Sprintf("it had gone on %s by policy %s, and something brought it back", s.Gone.Since.Format("2006-01-02"), s.Gone.Policy))
	}
}

func (g *guard) lets(i int, how ledger.How, why string) {
	s := &g.steps[i]
	s.How = how
	if why != "" {
		s.Change.Why += ", " + why
	}
	id := s.Change.Store
	if g.leaving[id] == nil {
		g.leaving[id] = rootSet{}
	}
	g.leaving[id][s.Change.Root.Fingerprint] = true
}

// weigh decides by what is known of the services.
func (g *guard) weigh(i int) {
	s := g.steps[i]
	h := Held{Step: s, Asks: true, Reason: g.Evidence.unsure(), Next: "once you know that nothing needs it"}
	if h.Reason == "" {
		breaks, unknown := g.hold(s.Change.Store).dependents(g.Evidence, s.Change.Root.Fingerprint, g.leaving[s.Change.Store])
		if len(breaks)+len(unknown) == 0 {
			how, why := ledger.Moved, "no service of this host depends on it any more"
			if s.Want.Until != nil {
				how = ledger.Until
			}
			g.lets(i, how, why)
			g.steps[i].weighed = true
			return
		}
		h.waitFor(breaks, unknown, g.wants)
		h.Again = g.placed(s, breaks)
	}
	h.Next += ": " + next(s.Want, g.waits)
	g.held[i] = h
}

// waitFor names the services for which a step waits.
func (h *Held) waitFor(breaks, unknown []Known, wants []Want) {
	h.Services = append(services(breaks), services(unknown)...)
	if len(breaks) > 0 {
		h.Reason, h.Next = depending(h.Step, breaks, wants)
		h.Next += ", and it goes by itself; to let it go all the same"
		return
	}
	h.Reason = fmt.Sprintf("%s: nobody knows whether it is still needed there; unknown means hold", names(services(unknown)))
	h.Next = "bring the service back, or take it out of the policy's services, and it goes by itself; to let it go all the same"
	if unknown[0].Target.Listener {
		h.Next = "where it speaks no TLS, except it in this host's settings under [listeners], and it goes by itself; to let it go all the same"
	}
}

// placed reports whether the batch places a root that would carry all that the
// step breaks, once it is read back.
func (g *guard) placed(s Step, breaks []Known) bool {
	return len(breaks) > 0 && !slices.ContainsFunc(breaks, func(k Known) bool {
		return !slices.ContainsFunc(g.steps, func(o Step) bool {
			return o.Change.Op == trust.Place && o.Change.Store == s.Change.Store && k.replaces(o.Change.Root.Fingerprint, s.Change.Root.Fingerprint)
		})
	})
}

// doubtful lists the roots whose withdraw only verdicts or a person's word
// could let go.
func doubtful(steps []Step) []root.Fingerprint {
	var roots []root.Fingerprint
	for _, s := range steps {
		gone := s.Gone != nil && s.Gone.Decided()
		if s.Change.Op == trust.Withdraw && !s.Want.DeadlinePassed && !s.Want.Expired && s.Placement.Read && !gone &&
			!slices.Contains(roots, s.Change.Root.Fingerprint) {
			roots = append(roots, s.Change.Root.Fingerprint)
		}
	}
	return roots
}

// undecided reports whether a verdict could hold a step of the batch.
func undecided(steps []Step, wants []Want, ready func(trust.StoreID, root.Fingerprint) bool, force Force) bool {
	roots := doubtful(steps)
	return slices.ContainsFunc(steps, func(s Step) bool {
		fp := s.Change.Root.Fingerprint
		return s.Change.Op == trust.Withdraw && slices.Contains(roots, fp) && !force.covers(fp, len(roots)) && successor(s, wants, ready) == nil
	})
}

func next(w Want, waits int) string {
	how := `anchorhold enforce --force "REASON"`
	if waits > 1 {
		how += " --root " + w.Root.Fingerprint.Short()
	}
	if w.Deadline != nil {
		return how + "; it goes by itself after " + w.Deadline.Format("2006-01-02")
	}
	return how + "; or give its retirement a deadline in the policy"
}

// successor returns the trusted root that takes over from the step's root and
// is not ready in the same store, or nil.
func successor(s Step, wants []Want, ready func(trust.StoreID, root.Fingerprint) bool) *Want {
	for i, w := range wants {
		if w.Store == s.Change.Store && w.Succeeds != nil && *w.Succeeds == s.Change.Root.Fingerprint &&
			w.Standing == policy.Trusted && !ready(w.Store, w.Root.Fingerprint) {
			return &wants[i]
		}
	}
	return nil
}
