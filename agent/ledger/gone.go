package ledger

import (
	"bytes"
	"cmp"
	"slices"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// How says what let a root go.
type How string

// The ways. All but Found are decisions that were carried out here.
const (
	Moved      How = "moved"      // nothing depended on it any more
	Deadline   How = "deadline"   // its deadline had passed
	Forced     How = "forced"     // a person gave a reason
	Until      How = "until"      // it was trusted until a day, and nothing depended on it
	Expired    How = "expired"    // it verified nothing any more
	Unread     How = "unread"     // no reader read it
	Distrusted How = "distrusted" // it was blocked
	Found      How = "found"      // somebody else took it out
)

// maxGone bounds what is remembered of roots that are gone; the oldest are
// forgotten first.
const maxGone = 4000

// Tombstone says of a root that a policy takes out that its absence from a
// store was observed.
type Tombstone struct {
	Store  trust.StoreID    `json:"store"`
	Root   root.Fingerprint `json:"sha256"`
	Since  time.Time        `json:"since"`
	Policy string           `json:"policy"` // that asked for it
	How    How              `json:"how"`
}

// Decided reports whether its going was decided here. What comes back then
// goes again without a new decision.
func (t Tombstone) Decided() bool { return t.How != Found }

// Sight is a root that a policy takes out and that was seen in a store.
type Sight struct {
	Store trust.StoreID    `json:"store"`
	Root  root.Fingerprint `json:"sha256"`
	Since time.Time        `json:"since"`
}

// Gone returns the tombstone of a root in a store.
func (l *Ledger) Gone(s trust.StoreID, fp root.Fingerprint) (Tombstone, bool) {
	i := slices.IndexFunc(l.c.Gone, func(t Tombstone) bool { return t.Store == s && t.Root == fp })
	if i < 0 {
		return Tombstone{}, false
	}
	return l.c.Gone[i], true
}

// Noticed is what an observation says of a root that a policy names.
type Noticed struct {
	Store  trust.StoreID
	Root   root.Fingerprint
	Leaves bool // the policy takes it out
	There  bool // it was seen; else its absence was observed
}

// Notice remembers which roots that are to go are still there, and which of
// those that were there or ours are gone by now, whoever took them out. A root
// that the policy trusts has no tombstone. It writes only what is new.
func (l *Ledger) Notice(all []Noticed, policy string, now time.Time) error {
	now = now.UTC().Truncate(time.Second)
	next := l.c.clone()
	changed := false
	var told []Event
	for _, n := range all {
		_, buried := l.Gone(n.Store, n.Root)
		seen := slices.IndexFunc(next.Lingering, func(s Sight) bool { return s.Store == n.Store && s.Root == n.Root })
		switch {
		case !n.Leaves:
			if buried || seen >= 0 {
				next.forget(n.Store, n.Root)
				changed = true
			}
		case n.There && seen < 0:
			next.Lingering = append(next.Lingering, Sight{n.Store, n.Root, now})
			changed = true
		case !n.There && (seen >= 0 || l.Placed(n.Store, n.Root)):
			next.disown(n.Store, n.Root)
			if !buried {
				next.bury(Tombstone{n.Store, n.Root, now, policy, Found})
				told = append(told, Event{Time: now, Store: n.Store, Root: n.Root, Op: Vanish, Status: Done, State: trust.Absent, Policy: policy,
					Why: "it was to go, and somebody else took it out"})
			}
			next.unsee(n.Store, n.Root)
			changed = true
		}
	}
	if !changed {
		return nil
	}
	for _, e := range told {
		if err := Tell(l.dir, e); err != nil {
			return err
		}
	}
	return l.save(next)
}

// bury sets a tombstone, or leaves the one that stands.
func (c *content) bury(t Tombstone) {
	c.unsee(t.Store, t.Root)
	c.Gone = slices.DeleteFunc(c.Gone, func(o Tombstone) bool { return o.Store == t.Store && o.Root == t.Root && (t.How != Found) })
	if slices.ContainsFunc(c.Gone, func(o Tombstone) bool { return o.Store == t.Store && o.Root == t.Root }) {
		return
	}
	c.Gone = append(c.Gone, t)
	slices.SortFunc(c.Gone, func(a, b Tombstone) int {
		return cmp.Or(a.Since.Compare(b.Since), cmp.Compare(a.Store, b.Store), bytes.Compare(a.Root[:], b.Root[:]))
	})
	if more := len(c.Gone) - maxGone; more > 0 {
		c.Gone = slices.Delete(c.Gone, 0, more)
	}
}

func (c *content) unsee(s trust.StoreID, fp root.Fingerprint) {
	c.Lingering = slices.DeleteFunc(c.Lingering, func(o Sight) bool { return o.Store == s && o.Root == fp })
}

// forget takes a tombstone away: the root is wanted again.
func (c *content) forget(s trust.StoreID, fp root.Fingerprint) {
	c.unsee(s, fp)
	c.Gone = slices.DeleteFunc(c.Gone, func(o Tombstone) bool { return o.Store == s && o.Root == fp })
}

func (c *content) disown(s trust.StoreID, fp root.Fingerprint) {
	c.Owned = slices.DeleteFunc(c.Owned, func(e Entry) bool { return e.Store == s && e.Root == fp && e.Op == trust.Place })
}

// form is the lowest schema that can say what the ledger holds, so that an
// older version reads it as long as it can.
func (c content) form() int {
	how := slices.ContainsFunc(c.Pending, func(p Pending) bool { return p.How != "" })
	if len(c.Gone)+len(c.Lingering) > 0 || how {
		return schema
	}
	return schemaPlain
}
