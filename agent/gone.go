package agent

import (
	"slices"

	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// gone says of the withdraws which roots had gone before.
func (a *Agent) gone(steps []Step) []Step {
	if a.Ledger == nil {
		return steps
	}
	for i, s := range steps {
		if t, gone := a.Ledger.Gone(s.Change.Store, s.Change.Root.Fingerprint); gone && s.Change.Op == trust.Withdraw {
			steps[i].Gone = &t
		}
	}
	return steps
}

// bury says of the roots that are out as wanted since when they are.
func (a *Agent) bury(r *Result) {
	if a.Ledger == nil {
		return
	}
	for i, row := range r.Rows {
		r.Rows[i].Gone = nil
		if t, gone := a.Ledger.Gone(row.Want.Store, row.Want.Root.Fingerprint); gone && row.Right && row.Want.Standing != policy.Trusted {
			r.Rows[i].Gone = &t
		}
	}
}

// notice has the ledger remember which roots linger and which are gone. What
// was observed badly, or changed and failed in this run, says nothing.
func (a *Agent) notice(r Result, o Order) error {
	var all []ledger.Noticed
	for _, row := range r.Rows {
		id, fp := row.Want.Store, row.Want.Root.Fingerprint
		v := r.view(id)
		failed := slices.ContainsFunc(r.Changes, func(c Changed) bool {
			return c.Change.Store == id && c.Change.Root.Fingerprint == fp && c.Err != nil
		})
		leaves := row.Want.Standing != policy.Trusted
		if v == nil || v.Err != nil || !row.Known || failed || leaves && !row.Right && row.State != trust.Lingering {
			continue
		}
		all = append(all, ledger.Noticed{Store: id, Root: fp, Leaves: leaves, There: !leaves || row.State == trust.Lingering})
	}
	return a.Ledger.Notice(all, o.policyName(), o.Now)
}

// readBy tells which readers that were heard still read a root, and which do
// not, each once.
func readBy(all []trust.Testimony, fp root.Fingerprint) (still, absent []string) {
	add := func(to *[]string, name string) {
		if !slices.Contains(*to, name) {
			*to = append(*to, name)
		}
	}
	for _, t := range all {
		if t.Reads(fp) {
			add(&still, t.Reader)
		}
	}
	for _, t := range all {
		if t.Heard() && !slices.Contains(still, t.Reader) {
			add(&absent, t.Reader)
		}
	}
	return still, absent
}
