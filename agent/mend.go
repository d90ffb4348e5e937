package agent

import (
	"slices"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
)

// torn returns what is wrong with a store itself and a refresh puts right.
func torn(s trust.Snapshot) []trust.Fault {
	all := slices.Clone(s.Faults)
	for _, p := range s.Parts {
		all = append(all, p.Faults...)
	}
	return slices.DeleteFunc(all, func(f trust.Fault) bool { return !f.Mend })
}

// mend returns a step for each store that is torn and that no step of the
// batch refreshes anyway: one trusted root that is in place is placed once
// more. A store in which the policy trusts no root is none of its business.
func mend(wants []Want, observed map[trust.StoreID]trust.Snapshot, steps []Step, o Order) []Step {
	var more []Step
	for _, w := range wants {
		snap, ok := observed[w.Store]
		if !ok || w.Standing != policy.Trusted || refreshes(steps, w.Store) || refreshes(more, w.Store) {
			continue
		}
		faults := torn(snap)
		if len(faults) == 0 {
			continue
		}
		p := snap.Placement(w.Root.Fingerprint)
		_, refused := w.Refused()
		if _, waits := o.Suspended.Of(w.Root.Fingerprint, o.now()); refused || waits || p.State != trust.Placed && !p.Beyond() {
			continue
		}
		f := faults[0]
		more = append(more, Step{
			Change: trust.Change{Store: w.Store, Op: trust.Place, Root: w.Root, Own: w.Own,
				Why: "it is in place, and the store has to be mended: " + f.Path + ": " + f.What + " [" + f.Code + "]"},
			Want: w, Placement: p,
		})
	}
	return more
}

func refreshes(steps []Step, id trust.StoreID) bool {
	return slices.ContainsFunc(steps, func(s Step) bool { return s.Change.Store == id })
}

// Torn returns what has to be mended in the stores in which the policy trusts
// a root, whatever the placements say.
func (r Result) Torn() []trust.Fault {
	var all []trust.Fault
	for _, v := range r.Stores {
		trusts := slices.ContainsFunc(r.Rows, func(row Row) bool { return row.Want.Store == v.Store && row.Want.Standing == policy.Trusted })
		if trusts && v.Err == nil {
			all = append(all, torn(v.Snapshot)...)
		}
	}
	return all
}
