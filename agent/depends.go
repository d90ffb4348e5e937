package agent

import (
	"fmt"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

type rootSet map[root.Fingerprint]bool

// compiled returns the roots of each compiled part that is present. sure
// leaves out the copies that not every account finds and may read.
func compiled(s trust.Snapshot, sure bool) map[string]rootSet {
	parts := map[string]rootSet{}
	for _, p := range s.Parts {
		if p.Present && p.Kind == trust.Compiled {
			parts[p.Name] = rootSet{}
		}
	}
	for fp, e := range s.Entries {
		for _, l := range e.Locations {
			part, counts := parts[l.Part]
			if counts && !l.Dangling && !(sure && (l.Idle != "" || l.Blocked != nil)) {
				part[fp] = true
			}
		}
	}
	return parts
}

// hold is a store as it is, and as it stays for those who read it.
type hold struct {
	now   map[string]rootSet // what readers may use now, part by part
	stays map[string]rootSet // what every account surely finds, as long as it does not leave
}

// holds looks at a store with the eyes of the policy: a trusted root that is
// not proven, and one that has expired, carries nobody.
func holds(s trust.Snapshot, wants []Want, ready func(trust.StoreID, root.Fingerprint) bool) hold {
	h := hold{compiled(s, false), compiled(s, true)}
	for _, w := range wants {
		if w.Store == s.Store && (w.Expired || w.Standing == policy.Trusted && !ready(s.Store, w.Root.Fingerprint)) {
			for _, part := range h.stays {
				delete(part, w.Root.Fingerprint)
			}
		}
	}
	return h
}

// breaks reports whether an endpoint that a root carries now would be carried
// by nothing once the root leaves beside all that leave with it, for the
// readers of at least one part. A root that only some programs find stands in
// for none that all find.
func (h hold) breaks(k Known, fp root.Fingerprint, leaving rootSet) bool {
	if k.Unknown != "" || !slices.Contains(k.Anchors, fp) {
		return false
	}
	for name, now := range h.now {
		carried := slices.ContainsFunc(k.Anchors, func(a root.Fingerprint) bool {
			return !leaving[a] && h.stays[name][a] && k.replaces(a, fp)
		})
		if now[fp] && !carried {
			return true
		}
	}
	return false
}

// dependents lists the services that would break, and those of which that is
// not known, each address once.
func (h hold) dependents(ev Evidence, fp root.Fingerprint, leaving rootSet) (breaks, unknown []Known) {
	for _, k := range ev.Endpoints {
		switch {
		case k.Unknown != "":
			unknown = append(unknown, k)
		case h.breaks(k, fp, leaving):
			breaks = append(breaks, k)
		}
	}
	return breaks, unknown
}

// services turns endpoints into what people are told, each service once. A
// listener at which a service of the policy answers is that service.
func services(all []Known) []Dependent {
	named := map[string]bool{}
	for _, k := range all {
		named[k.Remote] = named[k.Remote] || !k.Target.Listener && k.Remote != ""
	}
	var out []Dependent
	for _, k := range all {
		if k.Target.Listener && named[k.Remote] {
			continue
		}
		d := k.dependent()
		if !slices.ContainsFunc(out, func(o Dependent) bool { return o.String() == d.String() }) {
			out = append(out, d)
		}
	}
	return out
}

// listed is how many services a reason names.
const listed = 4

func names(all []Dependent) string {
	words := make([]string, len(all))
	for i, d := range all {
		words[i] = d.String()
		if d.Unknown != "" {
			words[i] += " (" + d.Unknown + ")"
		}
	}
	return some(words, listed)
}

// unsure says why nothing is known of what depends on any root, or "".
func (ev Evidence) unsure() string {
	switch {
	case ev.Unable != "":
		return "no service could be asked whether it depends on it: " + ev.Unable
	case !ev.Asked || ev.Watched == 0 && !ev.Looked:
		why := "nobody has shown that no service of this host still depends on it; unknown means hold"
		if i := slices.IndexFunc(ev.Blind, notListed); ev.Asked && i >= 0 {
			why += " (" + ev.Blind[i] + ")"
		}
		return why
	}
	return ""
}

func notListed(s string) bool { return strings.HasPrefix(s, trust.NotListed) }

// depending says which services keep a root, and how they come to let it go.
func depending(s Step, breaks []Known, wants []Want) (reason, next string) {
	reason = fmt.Sprintf("%s would verify no longer, the chain ends at %s alone", names(services(breaks)), called(wants, s.Change.Root.Fingerprint))
	if old := earliest(breaks); old != "" {
		reason += "; " + old
	}
	return reason, "renew the certificate under " + heir(s, wants)
}

// earliest says that a verdict is one of before.
func earliest(all []Known) string {
	for _, k := range all {
		if k.Before {
			return fmt.Sprintf("%s does not answer, and that is what it told on %s", k.dependent(), k.At.Format("2006-01-02 15:04Z"))
		}
	}
	return ""
}

// heir names the root that is to carry what a root carried: its successor, or
// what the policy trusts in that store.
func heir(s Step, wants []Want) string {
	var others []string
	for _, w := range wants {
		if w.Store != s.Change.Store || w.Standing != policy.Trusted || w.Expired {
			continue
		}
		if w.Succeeds != nil && *w.Succeeds == s.Change.Root.Fingerprint {
			return w.Label
		}
		others = append(others, w.Label)
	}
	if len(others) == 1 {
		return others[0]
	}
	return "a root that stays"
}

func called(wants []Want, fp root.Fingerprint) string {
	for _, w := range wants {
		if w.Root.Fingerprint == fp {
			return w.Label
		}
	}
	return fp.Short()
}
