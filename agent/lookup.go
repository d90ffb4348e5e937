package agent

import (
	"fmt"
	"strings"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

func (r Result) view(id trust.StoreID) *StoreView {
	for i := range r.Stores {
		if r.Stores[i].Store == id {
			return &r.Stores[i]
		}
	}
	return nil
}

func (r Result) row(id trust.StoreID, fp root.Fingerprint) *Row {
	for i := range r.Rows {
		if r.Rows[i].Want.Store == id && r.Rows[i].Want.Root.Fingerprint == fp {
			return &r.Rows[i]
		}
	}
	return nil
}

func (r Result) observed() map[trust.StoreID]trust.Snapshot {
	m := make(map[trust.StoreID]trust.Snapshot)
	for _, v := range r.Stores {
		if v.Err == nil {
			m[v.Store] = v.Snapshot
		}
	}
	return m
}

// refuses reports whether a store refused a root already when it was observed.
func (r Result) refuses(id trust.StoreID, fp root.Fingerprint) bool {
	v := r.view(id)
	return v != nil && v.Snapshot.Entries[fp].Blocked
}

// ready reports whether a trusted root was read back and proven in a store.
func (r Result) ready(id trust.StoreID, fp root.Fingerprint) bool {
	row := r.row(id, fp)
	return row != nil && row.Right
}

// owned returns the ledger as what decides about owners, nil where the caller
// may not read it.
func (a *Agent) owned() Owned {
	if a.Ledger == nil {
		return nil
	}
	return a.Ledger
}

// own names the owners anew, after the ledger has learned from what was seen.
func (r Result) own(owned Owned) {
	for i, row := range r.Rows {
		r.Rows[i].Owner = ownerOf(row.Want, row.Found, owned)
	}
}

func (o Order) policyName() string { return PolicyName(o.Policy) }

// PolicyName names a policy as ledger and history do.
func PolicyName(v policy.Verified) string {
	d := v.Document()
	return fmt.Sprintf("%s %d.%d", d.Name, d.Epoch, d.Version)
}

// some lists at most n of the words and counts the rest.
func some(words []string, n int) string {
	if len(words) <= n {
		return strings.Join(words, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(words[:n], ", "), len(words)-n)
}
