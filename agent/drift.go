package agent

import (
	"fmt"
	"slices"

	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
)

// drift says of a root that the ledger calls ours and that is gone what became
// of it, and how it is kept out: enforcing puts it back.
func (row *Row) drift(w Want, p trust.Placement, owned Owned) {
	gone := p.State == trust.Absent || p.State == trust.Incomplete && len(sources(p)) == 0 // a compiled part may keep it
	if owned == nil || w.Standing != policy.Trusted || !gone || !owned.Placed(w.Store, w.Root.Fingerprint) {
		return
	}
	if _, refused := w.Refused(); refused {
		return
	}
	row.Reasons = append(row.Reasons, "anchorhold placed it here and somebody took it out; enforcing puts it back")
	row.Next = append(row.Next, fmt.Sprintf("or, to keep it out for now: sudo anchorhold suspend %s --for 48h REASON", w.Root.Fingerprint.Short()))
}

// unknown says of files that are called as ours that the ledger does not know
// them: it was lost, or the store was copied from another host. They count as
// placed by hand. What is under way is not settled yet and not meant.
func (a *Agent) unknown(r *Result) {
	if a.Ledger == nil {
		return
	}
	pending := a.Ledger.Pending()
	for i, row := range r.Rows {
		id, fp := row.Want.Store, row.Want.Root.Fingerprint
		underWay := slices.ContainsFunc(pending, func(p ledger.Pending) bool { return p.Store == id && p.Root == fp })
		if underWay || a.Ledger.Placed(id, fp) {
			continue
		}
		for _, l := range row.Found {
			if l.Named {
				r.Rows[i].Notes = append(r.Rows[i].Notes, l.Path+" is named as anchorhold names its files, but this host's ledger does not know it; it counts as placed by hand")
			}
		}
	}
}
