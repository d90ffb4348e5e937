package trust

import (
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust/root"
)

// State is what is true of one root in one store.
type State string

// The states.
const (
	Absent     State = "absent"
	Placed     State = "placed"
	Incomplete State = "incomplete" // source without compiled store, or the reverse
	Unreadable State = "unreadable" // some account cannot read it
	Untrusted  State = "untrusted"  // there, without effect
	Misplaced  State = "misplaced"  // in another machine store
	UserOnly   State = "user-only"
	Lingering  State = "lingering" // to be taken out, still there
	Refused    State = "blocked"   // the store refuses it, as a block asked
	Unknown    State = "unknown"   // could not be looked at
)

// Placement is the judgement over one root in one store.
type Placement struct {
	Store   StoreID
	Root    root.Fingerprint
	State   State
	Found   []Location // every copy that counts
	Aside   []Location // copies where they do not count, see [Placement.Elsewhere]
	Missing []string   // parts that should hold it and do not
	Opaque  []string   // parts of which nobody can tell whether they hold it
	Read    bool       // at least one compiled part holds a copy, so some reader reads it
	Reasons []string   // for every state but Placed and Absent, in words
	Helps   []string   // what a person has to do about it, as no refresh does
}

// Beyond reports that all is well as far as a refresh reaches: what is left is
// a part that a person has to open first.
func (p Placement) Beyond() bool {
	return p.State == Incomplete && len(p.Missing) == 0 && len(p.Opaque) > 0
}

func (p *Placement) help(text string) {
	if !slices.Contains(p.Helps, text) {
		p.Helps = append(p.Helps, text)
	}
}

// Placement judges what the snapshot says of one root. It knows no policy:
// a root that should be gone and is not is Placed or Incomplete here.
func (s Snapshot) Placement(fp root.Fingerprint) Placement {
	m, aside := s.apart(fp)
	p := m.placement(fp)
	p.Aside = aside
	return p
}

func (s Snapshot) placement(fp root.Fingerprint) Placement {
	e, there := s.Entries[fp]
	p := Placement{Store: s.Store, Root: fp, State: Absent, Found: e.Locations}
	if there && e.Blocked && len(e.Locations) == 0 {
		p.State = Refused
		return p
	}
	var unread, opaque []string
	for _, part := range s.Parts {
		switch {
		case part.Unread != "":
			unread = append(unread, part.Name+" ("+part.Unread+")")
		case part.Present && part.Opaque != "":
			opaque = append(opaque, "what "+part.Name+" holds cannot be told: "+part.Opaque)
			p.Opaque = append(p.Opaque, part.Name)
			for _, f := range part.Faults {
				p.help(f.Next)
			}
		}
	}
	live := 0 // copies that are more than a name
	for _, l := range e.Locations {
		if !l.Dangling {
			live++
		}
	}
	if live == 0 && len(unread) > 0 {
		p.State = Unknown
		p.Reasons = append(p.Reasons, "could not read "+strings.Join(unread, ", "))
		return p
	}
	if len(e.Locations) == 0 {
		p.Reasons = opaque
		return p
	}
	p.State = Placed
	var shut []string
	for _, part := range s.Parts {
		if part.Present && part.Blocked != nil {
			p.State = Unreadable
			shut = append(shut, "all of "+part.Name+" is shut: "+part.Blocked.String())
			p.unblock(part.Blocked)
		}
		if !part.Present || part.Unread != "" || part.Opaque != "" {
			continue
		}
		in := e.In(part.Name)
		held, open := false, false
		var stop *Blocked
		for _, l := range in {
			switch {
			case l.Dangling:
				p.Reasons = append(p.Reasons, l.Path+" points to a file that is gone")
			case l.Idle != "":
				p.Reasons = append(p.Reasons, l.Path+" has no effect: "+l.Idle)
			case l.Blocked != nil:
				held, stop = true, l.Blocked
			default:
				held, open = true, true
			}
		}
		p.Read = p.Read || held && part.Kind == Compiled
		if held && part.Ruined != "" {
			shut = append(shut, "all of "+part.Name+" is spoilt: "+part.Ruined)
			if p.State == Placed {
				p.State = Untrusted
			}
		}
		switch {
		case !held:
			p.Missing = append(p.Missing, part.Name)
		case !open:
			p.State = Unreadable
			p.Reasons = append(p.Reasons, "in "+part.Name+": "+stop.String())
			p.unblock(stop)
		}
	}
	p.Reasons = append(shut, p.Reasons...) // what concerns every root comes first
	if len(p.Missing) > 0 {
		p.Reasons = append(p.Reasons, "not in "+strings.Join(p.Missing, ", "))
		if p.State == Placed || p.State == Untrusted {
			p.State = Incomplete
		}
	}
	if len(opaque) > 0 {
		p.Reasons = append(p.Reasons, opaque...)
		if p.State == Placed {
			p.State = Incomplete
		}
	}
	return p
}

// unblock says how a path is opened that no refresh opens.
func (p *Placement) unblock(b *Blocked) {
	if b.ByHand {
		p.help(b.Remedy())
	}
}
