package agent

import (
	"slices"
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/root"
)

// Succession is how far one root has taken over from another on a host.
type Succession struct {
	From, To           root.Fingerprint
	FromLabel, ToLabel string

	Placed  bool        // the new one is proven in every store that it is for
	Gone    bool        // the old one is to go, and is out of every store
	Total   int         // watched services that either of them carries, and those of which nothing is known
	Moved   int         // of these, carried without the old one
	Left    []Dependent // carried by the old one alone
	Unknown []Dependent
	Asked   time.Time // the oldest answer that counts here; zero: nobody told anything
	Ready   bool      // the new one is in place, and no watched service needs the old one
}

// Successions tells how far each succession of the document has come. It is
// pure: stays says which roots are in place and are not to go.
func Successions(doc policy.Document, rows []Row, stays func(root.Fingerprint) bool, ev Evidence) []Succession {
	labels := map[root.Fingerprint]string{}
	for _, r := range doc.Roots {
		labels[r.SHA256] = r.Label
	}
	var all []Succession
	for _, r := range doc.Roots {
		if r.Succeeds == nil {
			continue
		}
		s := Succession{From: *r.Succeeds, To: r.SHA256, FromLabel: labels[*r.Succeeds], ToLabel: r.Label}
		s.Placed = every(rows, s.To, func(row Row) bool { return row.Want.Standing == policy.Trusted && row.Right })
		s.Gone = every(rows, s.From, func(row Row) bool { return row.Want.Standing != policy.Trusted && row.Right })
		for _, group := range byTarget(ev.Endpoints) {
			s.count(group, stays)
		}
		s.Ready = s.Placed && !s.Asked.IsZero() && len(s.Left)+len(s.Unknown) == 0
		all = append(all, s)
	}
	return all
}

func every(rows []Row, fp root.Fingerprint, is func(Row) bool) bool {
	some := false
	for _, row := range rows {
		if row.Want.Root.Fingerprint == fp {
			some = true
			if !is(row) {
				return false
			}
		}
	}
	return some
}

// byTarget groups the addresses of each watched service.
func byTarget(all []Known) [][]Known {
	var groups [][]Known
	for _, k := range all {
		if k.Target.Listener {
			continue
		}
		i := slices.IndexFunc(groups, func(g []Known) bool { return sameTarget(g[0].Target, k.Target) })
		if i < 0 {
			groups = append(groups, []Known{k})
		} else {
			groups[i] = append(groups[i], k)
		}
	}
	return groups
}

// count adds one service: its worst address decides.
func (s *Succession) count(group []Known, stays func(root.Fingerprint) bool) {
	var unknown, left *Known
	concerned := false
	for i, k := range group {
		old, young := slices.Contains(k.Anchors, s.From), slices.Contains(k.Anchors, s.To)
		young = young && (!old || k.replaces(s.To, s.From))
		other := slices.ContainsFunc(k.Anchors, func(a root.Fingerprint) bool { return stays(a) && k.replaces(a, s.From) })
		switch {
		case k.Unknown != "":
			unknown = &group[i]
		case old && !young && !other:
			left = &group[i]
		case !old && !young:
			continue
		}
		concerned = true
		if k.Unknown == "" && (s.Asked.IsZero() || k.At.Before(s.Asked)) {
			s.Asked = k.At
		}
	}
	switch {
	case !concerned:
		return
	case left != nil:
		s.Left = append(s.Left, left.dependent())
	case unknown != nil:
		s.Unknown = append(s.Unknown, unknown.dependent())
	default:
		s.Moved++
	}
	s.Total++
}

func (a *Agent) successions(o Order, r Result, ev Evidence) []Succession {
	stays := rootSet{}
	for _, v := range r.Stores {
		for _, part := range compiled(v.Snapshot, true) {
			for fp := range part {
				stays[fp] = true
			}
		}
	}
	for _, row := range r.Rows {
		if row.Want.Standing != policy.Trusted {
			delete(stays, row.Want.Root.Fingerprint)
		}
	}
	return Successions(o.Policy.Document(), r.Rows, func(fp root.Fingerprint) bool { return stays[fp] }, ev)
}

// recall is what the watched services told before: nobody is asked.
func (a *Agent) recall(o Order) Evidence {
	m := a.remembered()
	watched := Watched(o.Policy, o.Host)
	ev := Evidence{Watched: len(watched)}
	why := "it was not asked yet"
	if m.Lost != "" {
		ev.Blind, why = []string{m.Lost}, m.Lost
	}
	for _, t := range watched {
		ev.Endpoints = append(ev.Endpoints, last(Known{Target: t}, m.of(t), o.now(), why)...)
	}
	return ev
}
