package agent

import (
	"slices"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
)

// sweeps reports whether accounts' own stores hold copies that the policy wants
// out as well.
func sweeps(w Want, p trust.Placement) bool { return w.Sweep && len(p.InUserStores()) > 0 }

// directed reports whether every copy of the store's source comes from a
// directory's policy: whatever is taken out comes back by itself.
func directed(p trust.Placement) bool {
	s := sources(p)
	return len(s) > 0 && !slices.ContainsFunc(s, func(l trust.Location) bool { return l.Origin != trust.FromDirectory })
}

// aside tells of copies where they do not count. A root that is wanted and lies
// there alone is called by that: it is why some programs verify and services do
// not.
func (row *Row) aside(w Want, p trust.Placement) {
	if len(p.Aside) == 0 {
		return
	}
	alone := w.Standing == policy.Trusted && p.State == trust.Absent
	if alone {
		row.State = p.Elsewhere()
	}
	row.Found = append(slices.Clone(row.Found), p.Aside...)
	for _, l := range p.Aside {
		what := "it lies in one account's own store, which no other account and no service reads: " + l.Path
		if l.Part == trust.OtherStores {
			what = "it lies where it has no effect as a root: " + l.Path
		}
		switch {
		case alone:
			row.Reasons = append(row.Reasons, what)
		case w.Standing != policy.Trusted && sweeps(w, p) && l.Part == trust.UserStores:
			row.Reasons = append(row.Reasons, "still in an account's own store: "+l.Path)
		default:
			row.Notes = append(row.Notes, "stray: "+what)
		}
	}
}
