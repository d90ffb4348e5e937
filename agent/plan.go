package agent

import (
	"cmp"
	"slices"

	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// Owned says what this host's ledger claims as anchorhold's own.
type Owned interface {
	Placed(trust.StoreID, root.Fingerprint) bool
	Blocked(trust.StoreID, root.Fingerprint) bool
}

// Step is one planned change with what led to it.
type Step struct {
	Change    trust.Change
	Want      Want
	Placement trust.Placement

	Gone   *ledger.Tombstone // it had gone before
	How    ledger.How        // what lets it go, once that is decided
	Breaks []Dependent       // what verifies now and would not any more

	weighed bool // what services told let it go
}

// Plan compares what is wanted with what was observed. It asks for a change
// only where one is due, places before it withdraws, and names nothing that
// the policy does not name by fingerprint. A store that was not observed gets
// no change. owned is nil for somebody who may not read the ledger.
func Plan(wants []Want, observed map[trust.StoreID]trust.Snapshot, owned Owned) []Step {
	var steps []Step
	for _, w := range wants {
		snap, ok := observed[w.Store]
		if !ok {
			continue
		}
		p := snap.Placement(w.Root.Fingerprint)
		for _, op := range due(w, p, owned) {
			r := w.Root
			if r.DER == nil {
				r.DER = snap.Entries[r.Fingerprint].DER
			}
			steps = append(steps, Step{
				Change:    trust.Change{Store: w.Store, Op: op, Root: r, Own: w.Own, Sweep: w.Sweep, Why: why(w, p)},
				Want:      w,
				Placement: p,
			})
		}
	}
	slices.SortStableFunc(steps, func(a, b Step) int {
		return cmp.Compare(turn[a.Change.Op], turn[b.Change.Op])
	})
	return steps
}

// turn is the order in which operations of one batch take effect: whatever
// makes services verify comes before whatever could stop them.
var turn = map[trust.Op]int{trust.Unblock: 0, trust.Place: 1, trust.Block: 2, trust.Withdraw: 3}

func due(w Want, p trust.Placement, owned Owned) []trust.Op {
	if p.State == trust.Unknown {
		return nil
	}
	switch w.Standing {
	case policy.Trusted:
		if _, refused := w.Refused(); refused {
			return nil
		}
		var ops []trust.Op
		if owned != nil && owned.Blocked(w.Store, w.Root.Fingerprint) {
			ops = append(ops, trust.Unblock)
		}
		own := w.Own && owned != nil && !owned.Placed(w.Store, w.Root.Fingerprint)
		if p.State != trust.Placed && !p.Beyond() || own || len(ops) > 0 {
			ops = append(ops, trust.Place)
		}
		return ops
	case policy.Retired:
		gone := p.State == trust.Absent || p.State == trust.Refused
		if gone && !sweeps(w, p) || packaged(p) != "" || !gone && directed(p) {
			return nil
		}
		return []trust.Op{trust.Withdraw}
	case policy.Distrusted:
		if p.State == trust.Absent || p.State == trust.Refused {
			if sweeps(w, p) {
				return []trust.Op{trust.Withdraw}
			}
			return nil
		}
		return []trust.Op{trust.Block}
	}
	return nil
}

// packaged names the package that brought a copy, or returns "". A retirement
// leaves packages' roots alone: the package would bring its file back.
func packaged(p trust.Placement) string {
	for _, l := range p.Found {
		if l.Origin == trust.FromPackage && !l.Dangling {
			return cmp.Or(l.Package, "a package")
		}
	}
	return ""
}

func why(w Want, p trust.Placement) string {
	stage := "for all hosts"
	if w.Stage != policy.AllHosts {
		stage = "in stage " + w.Stage
	}
	standing := string(w.Standing)
	if w.Standing == policy.Retired && w.Until != nil {
		standing = "trusted until " + w.Until.Format("2006-01-02")
	}
	return standing + " " + stage + ", found " + string(p.State)
}
