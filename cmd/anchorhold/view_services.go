package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/root"
)

// instant is how moments are shown to people.
const instant = "2006-01-02 15:04Z"

// dependents names services on a screen, in full: whoever reads it has to go
// there.
func dependents(all []agent.Dependent) string {
	var words []string
	for _, d := range all {
		word := d.String()
		if d.Unknown != "" {
			word += " (" + d.Unknown + ")"
		}
		words = append(words, word)
	}
	return strings.Join(words, ", ")
}

// showBreaks says of a step that is to come what it breaks.
func (a *app) showBreaks(s agent.Step) {
	if len(s.Breaks) > 0 {
		remark{"note", "verifies no longer then: " + dependents(s.Breaks)}.write(a.out, a.colour())
	}
}

// showAbsent says by whom it is proven that a root is gone.
func (a *app) showAbsent(c agent.Changed) {
	if c.Err == nil && len(c.Absent) > 0 {
		remark{"note", "proven absent by " + strings.Join(c.Absent, ", ")}.write(a.out, a.colour())
	}
}

// showSuccessions writes how far each root has taken over from another, as long
// as the old one is there.
func (a *app) showSuccessions(r agent.Result) {
	for _, s := range r.Successions {
		if s.Gone {
			continue
		}
		t := uneasy
		state := "not in place yet"
		if s.Placed {
			state = "in place"
		}
		if s.Ready {
			t = good
		}
		fmt.Fprintf(a.out, "\n%s\n", paint(onScreen(fmt.Sprintf("%s takes over from %s: %s; %s", s.ToLabel, s.FromLabel, state, moved(s))), t, a.colour()))
		if len(s.Left) > 0 {
			remark{"why", "by the old one alone: " + dependents(s.Left)}.write(a.out, a.colour())
			remark{"next", "renew what is left under " + s.ToLabel + "; 'anchorhold preview' asks again"}.write(a.out, a.colour())
		}
		if len(s.Unknown) > 0 {
			remark{"note", "not known: " + dependents(s.Unknown)}.write(a.out, a.colour())
		}
	}
}

func moved(s agent.Succession) string {
	switch {
	case s.Total == 0 && s.Asked.IsZero():
		return "nobody knows of a service that needs either"
	case s.Asked.IsZero():
		return "no service told by which it verifies: 'anchorhold preview' asks"
	}
	return fmt.Sprintf("%d of %s moved, as told on %s", s.Moved, count(s.Total, "service", "services"), s.Asked.UTC().Format(instant))
}

// showUnseen names what no question of this run reached.
func (a *app) showUnseen(r agent.Result) {
	if !r.Evidence.Asked || len(r.Evidence.Blind) == 0 {
		return
	}
	fmt.Fprintln(a.out, paint("Services that nobody asked:", faint, a.colour()))
	for _, b := range r.Evidence.Blind {
		remark{"note", b}.write(a.out, a.colour())
	}
}

// since says in a cell since when a root is out.
func since(row agent.Row) string {
	if row.Gone == nil {
		return ""
	}
	return ", gone since " + row.Gone.Since.Format(day)
}

// jsonSuccession is how far one root has taken over from another.
type jsonSuccession struct {
	From     root.Fingerprint  `json:"from_sha256"`
	To       root.Fingerprint  `json:"to_sha256"`
	Placed   bool              `json:"placed"` // the new one, in every store that it is for
	Gone     bool              `json:"gone"`   // the old one, out of every store
	Services int               `json:"services"`
	Moved    int               `json:"moved"`
	Left     []agent.Dependent `json:"left,omitempty"`
	Unknown  []agent.Dependent `json:"unknown,omitempty"`
	Asked    time.Time         `json:"asked,omitzero"` // the oldest answer that counts
	Ready    bool              `json:"ready"`
}

// jsonGone is since when a root is out, and what let it go.
type jsonGone struct {
	Since  time.Time `json:"since"`
	How    string    `json:"how"`
	Policy string    `json:"policy"`
}

// services adds what a result says of services.
func (j *jsonResult) services(r agent.Result) {
	for _, s := range r.Successions {
		j.Successions = append(j.Successions, jsonSuccession{s.From, s.To, s.Placed, s.Gone, s.Total, s.Moved, s.Left, s.Unknown, s.Asked, s.Ready})
	}
	if r.Evidence.Asked {
		j.NotAsked = slices.Clone(r.Evidence.Blind)
	}
}

func goneJSON(row agent.Row) *jsonGone {
	if row.Gone == nil {
		return nil
	}
	return &jsonGone{row.Gone.Since, string(row.Gone.How), row.Gone.Policy}
}

// showTrials says of the roots that retire by themselves when they do.
func (a *app) showTrials(r agent.Result) {
	told := map[root.Fingerprint]bool{}
	for _, row := range r.Rows {
		w := row.Want
		if w.Until == nil || w.Standing != policy.Trusted || told[w.Root.Fingerprint] {
			continue
		}
		told[w.Root.Fingerprint] = true
		fmt.Fprintf(a.out, "%s\n", onScreen(fmt.Sprintf("%s  %s  is trusted until %s and retires by itself then", w.Label, w.Root.Fingerprint.Short(), w.Until.Format(day))))
	}
}
