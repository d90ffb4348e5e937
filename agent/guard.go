package agent

import (
	"fmt"

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

// Guard decides which steps may be carried out now. It is pure: ready says
// which trusted roots were read back as placed, force is a person's reason for
// going on although services could break, or empty.
//
// A withdraw is held because nothing is known about the services that may
// still need the root, and unknown means hold. It passes when its deadline
// has passed, when somebody forces it, or when the root verifies nothing any
// more. A block of a distrusted root is never held.
func Guard(steps []Step, wants []Want, ready func(trust.StoreID, root.Fingerprint) bool, force string) (allowed []Step, held []Held) {
	for _, s := range steps {
		if s.Change.Op != trust.Withdraw {
			allowed = append(allowed, s)
			continue
		}
		if n := successor(s, wants, ready); n != nil && force == "" {
			held = append(held, Held{Step: s, Successor: true,
				Reason: fmt.Sprintf("its successor %s (%s) is not proven in store %s of this host", n.Label, n.Root.Fingerprint.Short(), s.Change.Store),
				Next:   "let the successor be placed first; 'anchorhold verify' shows what is in its way"})
			continue
		}
		switch {
		case s.Want.DeadlinePassed:
			s.Change.Why += ", its deadline has passed"
		case force != "":
			s.Change.Why += ", forced: " + force
		case s.Want.Expired:
			s.Change.Why += ", the certificate has expired and verifies nothing"
		case !s.Placement.Read:
			s.Change.Why += ", no reader reads it any more"
		default:
			held = append(held, Held{Step: s,
				Reason: "nobody has shown that no service of this host still depends on it; unknown means hold",
				Next:   next(s.Want)})
			continue
		}
		allowed = append(allowed, s)
	}
	return allowed, held
}

func next(w Want) string {
	how := `once you know that nothing needs it: anchorhold enforce --force "REASON"`
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
