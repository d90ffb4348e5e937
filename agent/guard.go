package agent

import (
	"fmt"
	"slices"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// Held is a planned step that must wait.
type Held struct {
	Step
	Reason    string
	Next      string
	Successor bool // it waits for a successor to be proven, which may happen in this very run
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

// Guard decides which steps may be carried out now. It is pure: ready says
// which trusted roots were read back as placed.
//
// A withdraw is held because nothing is known about the services that may
// still need the root, and unknown means hold. It passes when its deadline
// has passed, when somebody forces it, or when the root verifies nothing any
// more; but never before its successor was read back, whatever anybody says. A
// block of a distrusted root is never held.
func Guard(steps []Step, wants []Want, ready func(trust.StoreID, root.Fingerprint) bool, force Force) (allowed []Step, held []Held) {
	waits := doubtful(steps)
	for _, s := range steps {
		if s.Change.Op != trust.Withdraw {
			allowed = append(allowed, s)
			continue
		}
		if n := successor(s, wants, ready); n != nil {
			held = append(held, Held{Step: s, Successor: true,
				Reason: fmt.Sprintf("its successor %s (%s) is not proven in store %s of this host", n.Label, n.Root.Fingerprint.Short(), s.Change.Store),
				Next:   "the successor goes first; where it is not placed, 'anchorhold verify' shows what is in its way"})
			continue
		}
		switch {
		case s.Want.DeadlinePassed:
			s.Change.Why += ", its deadline has passed"
		case force.covers(s.Change.Root.Fingerprint, waits):
			s.Change.Why += ", forced: " + force.Reason
		case s.Want.Expired:
			s.Change.Why += ", the certificate has expired and verifies nothing"
		case !s.Placement.Read:
			s.Change.Why += ", no reader reads it any more"
		default:
			held = append(held, Held{Step: s,
				Reason: "nobody has shown that no service of this host still depends on it; unknown means hold",
				Next:   next(s.Want, waits)})
			continue
		}
		allowed = append(allowed, s)
	}
	return allowed, held
}

// doubtful counts the roots whose withdraw only a person's word could let go.
func doubtful(steps []Step) int {
	roots := map[root.Fingerprint]bool{}
	for _, s := range steps {
		if s.Change.Op == trust.Withdraw && !s.Want.DeadlinePassed && !s.Want.Expired && s.Placement.Read {
			roots[s.Change.Root.Fingerprint] = true
		}
	}
	return len(roots)
}

func next(w Want, waits int) string {
	how := `once you know that nothing needs it: anchorhold enforce --force "REASON"`
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
