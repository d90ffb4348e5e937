package policy

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"anchorhold.test/anchorhold/trust/root"
)

// Kinds of ChangeLine.
const (
	ChangeNew      = "new"      // a root that the older policy did not name
	ChangeStanding = "standing" // other standings
	ChangeScope    = "scope"    // other purposes, stores or ways to place it
	ChangeUnlisted = "unlisted" // a root that the newer policy does not name: it stays on hosts
	ChangeCaution  = "caution"  // something to think about before signing
)

// ChangeLine is one line of what a new policy changes, for whoever signs it.
type ChangeLine struct {
	Kind     string
	Root     root.Fingerprint // zero for cautions about the whole
	Label    string
	Stage    string // as people read it: its hosts and its start
	From, To Standing
	Deadline *time.Time
	Text     string // the whole line
}

// Diff says what changes for whom from one policy to the next, root by root in
// the new order, then what becomes unlisted, then cautions. The zero Document
// is no policy.
func Diff(old, next Document) []ChangeLine {
	var lines []ChangeLine
	for _, r := range next.Roots {
		was, known := find(old, r.SHA256)
		lines = append(lines, steps(old, next, was, r, known)...)
		if known && !sameScope(was, r) {
			lines = append(lines, ChangeLine{Kind: ChangeScope, Root: r.SHA256, Label: r.Label, Text: fmt.Sprintf("%s: %s", title(r), scope(was, r))})
		}
	}
	for _, r := range old.Roots {
		if _, still := find(next, r.SHA256); !still {
			l := ChangeLine{Kind: ChangeUnlisted, Root: r.SHA256, Label: r.Label, Text: title(r) + ": no longer named; it stays where it was placed. Write \"retired\" to take it out"}
			if n := len(r.Standings); n > 0 {
				l.From = r.Standings[n-1].Standing
			}
			lines = append(lines, l)
		}
	}
	return append(lines, cautions(old, next)...)
}

func title(r Root) string { return fmt.Sprintf("%q (%s)", r.Label, r.SHA256.Short()) }

// steps lists the standings that are new or other than before, one line each.
func steps(old, next Document, was, r Root, known bool) []ChangeLine {
	var lines []ChangeLine
	for i, s := range r.Standings {
		stage := hosts(next, s.Stage)
		l := ChangeLine{Kind: ChangeStanding, Root: r.SHA256, Label: r.Label, Stage: stage, To: s.Standing, Deadline: s.Deadline}
		if !known {
			l.Kind = ChangeNew
		}
		if i < len(was.Standings) {
			l.From = was.Standings[i].Standing
			if sameStep(was.Standings[i], s) && hosts(old, s.Stage) == stage {
				continue
			}
		}
		l.Text = fmt.Sprintf("%s: %s %s", title(r), transition(l.From, l.To), stage)
		if s.Deadline != nil {
			l.Text += ", whatever depends on it after " + s.Deadline.Format(timeLayout)
		}
		if s.Until != nil {
			l.Text += ", retired on " + s.Until.Format(timeLayout)
		}
		lines = append(lines, l)
	}
	for _, s := range was.Standings[min(len(r.Standings), len(was.Standings)):] {
		stage := hosts(old, s.Stage)
		lines = append(lines, ChangeLine{Kind: ChangeStanding, Root: r.SHA256, Label: r.Label, Stage: stage, From: s.Standing,
			Text: fmt.Sprintf("%s: no longer %s %s", title(r), s.Standing, stage)})
	}
	return lines
}

func transition(from, to Standing) string {
	switch from {
	case "":
		return "becomes " + string(to)
	case to:
		return "stays " + string(to) + ", now"
	}
	return fmt.Sprintf("from %s to %s", from, to)
}

func sameStep(a, b Step) bool {
	same := func(x, y *time.Time) bool { return x == y || x != nil && y != nil && x.Equal(*y) }
	return a.Standing == b.Standing && a.Stage == b.Stage && same(a.Deadline, b.Deadline) && same(a.Until, b.Until)
}

// hosts says in words who is in a stage and from when.
func hosts(d Document, name string) string {
	i := slices.IndexFunc(d.Stages, func(s Stage) bool { return s.Name == name })
	if i < 0 {
		return "on all hosts"
	}
	s := d.Stages[i]
	who := "on all hosts"
	if s.Percent < 100 {
		who = fmt.Sprintf("on %d percent of the hosts", s.Percent)
	}
	if len(s.Labels) > 0 {
		var labels []string
		for k, v := range s.Labels {
			labels = append(labels, k+"="+v)
		}
		slices.Sort(labels)
		who += " with " + strings.Join(labels, ", ")
	}
	if s.Start != nil {
		who += " from " + s.Start.Format(timeLayout)
	}
	return fmt.Sprintf("%s (stage %q)", who, s.Name)
}

func sameScope(a, b Root) bool { return scope(a, b) == "" }

func scope(a, b Root) string {
	var parts []string
	words := func(what string, x, y []string) {
		if !slices.Equal(x, y) {
			parts = append(parts, fmt.Sprintf("%s from %s to %s", what, strings.Join(x, ", "), strings.Join(y, ", ")))
		}
	}
	flag := func(what string, x, y bool) {
		if x != y {
			parts = append(parts, fmt.Sprintf("%s from %t to %t", what, x, y))
		}
	}
	words("purposes", a.Purposes, b.Purposes)
	words("stores", a.Stores, b.Stores)
	flag("own copy", a.Own, b.Own)
	flag("sweep of user stores", a.Sweep, b.Sweep)
	if x, y := successor(a), successor(b); x != y {
		parts = append(parts, fmt.Sprintf("takes over from %s instead of %s", y, x))
	}
	return strings.Join(parts, "; ")
}

func successor(r Root) string {
	if r.Succeeds == nil {
		return "none"
	}
	return r.Succeeds.Short()
}

// cautions tells what a signer should have thought of: what a newly trusted
// root may vouch for, and that the block of a distrusted one is never held.
func cautions(old, next Document) []ChangeLine {
	var lines []ChangeLine
	for _, r := range next.Roots {
		was, _ := find(old, r.SHA256)
		if says(r, Trusted) && !says(was, Trusted) && len(r.DER) > 0 {
			if c, err := root.Parse(r.DER); err == nil {
				lines = append(lines, caution(r, "may vouch for "+strings.Join(root.Vouches(c), "; ")))
			}
		}
		if says(r, Distrusted) && !says(was, Distrusted) {
			lines = append(lines, caution(r, "is blocked at once and nothing holds that back: whatever still needs it stops verifying"))
		}
		for _, w := range r.Waivers {
			lines = append(lines, caution(r, fmt.Sprintf("finding %q is waived: %s", w.Code, w.Reason)))
		}
	}
	return lines
}

func caution(r Root, text string) ChangeLine {
	return ChangeLine{Kind: ChangeCaution, Root: r.SHA256, Label: r.Label, Text: title(r) + ": " + text}
}

// KeysetCautions tells what is risky about a keyset.
func KeysetCautions(k Keyset) []ChangeLine {
	var lines []ChangeLine
	add := func(format string, args ...any) {
		lines = append(lines, ChangeLine{Kind: ChangeCaution, Text: fmt.Sprintf(format, args...)})
	}
	switch {
	case len(k.Keys) == 1:
		add("one key signs alone: whoever gets it decides what hosts trust, and if it is lost nobody does; 2 of 3 is advised")
	case k.Threshold == 1:
		add("any one of %d keys signs alone: each of them is enough to decide what hosts trust; 2 of 3 is advised", len(k.Keys))
	case k.Threshold == len(k.Keys):
		add("all %d keys must sign: if one is lost, the keyset can only be replaced by its contingency keyset", len(k.Keys))
	}
	if k.Contingency.IsZero() {
		add("no contingency keyset is pinned: if the keys are lost or stolen, every host must be pinned anew by hand")
	}
	return lines
}
