package trust

import "anchorhold.test/anchorhold/trust/root"

// Aside is the kind of a part that programs of other accounts do not take
// roots from: copies there are told, and never count as placed.
const Aside PartKind = "aside"

// Names of such parts.
const (
	OtherStores = "other stores" // of the machine, for something else than roots
	UserStores  = "user stores"  // one account's own
)

// asideMeans is what a root is that lies in such a part alone.
var asideMeans = map[string]State{OtherStores: Misplaced, UserStores: UserOnly}

// Elsewhere is what is true of a root that is absent from the store and lies
// aside: [UserOnly] or [Misplaced]; "" where there is no such copy. Misplaced is
// the stronger: it was meant for the machine.
func (p Placement) Elsewhere() State {
	var is State
	for _, l := range p.Aside {
		if s := asideMeans[l.Part]; is == "" || s == Misplaced {
			is = s
		}
	}
	return is
}

// InUserStores returns the copies that lie in accounts' own stores.
func (p Placement) InUserStores() []Location {
	var in []Location
	for _, l := range p.Aside {
		if l.Part == UserStores {
			in = append(in, l)
		}
	}
	return in
}

// apart returns the snapshot without what lies aside, and the copies of one
// root there.
func (s Snapshot) apart(fp root.Fingerprint) (Snapshot, []Location) {
	aside := map[string]bool{}
	m := Snapshot{Store: s.Store, Entries: map[root.Fingerprint]Entry{}, Faults: s.Faults}
	for _, p := range s.Parts {
		if p.Kind == Aside {
			aside[p.Name] = true
		} else {
			m.Parts = append(m.Parts, p)
		}
	}
	if len(aside) == 0 {
		return s, nil
	}
	e, there := s.Entries[fp]
	if !there {
		return m, nil
	}
	var out []Location
	all := e.Locations
	e.Locations = nil
	for _, l := range all {
		if aside[l.Part] {
			out = append(out, l)
		} else {
			e.Locations = append(e.Locations, l)
		}
	}
	m.Entries[fp] = e
	return m, out
}
