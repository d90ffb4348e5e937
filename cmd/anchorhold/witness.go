package main

import (
	"fmt"
	"strings"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// showWitnesses writes one line for each store that was refreshed: who read it,
// and who could not.
func (a *app) showWitnesses(r agent.Result) {
	last := map[trust.StoreID]agent.Witnessed{}
	for _, w := range r.Witnessed {
		last[w.Store] = w
	}
	for _, v := range r.Stores {
		w, ok := last[v.Store]
		if !ok {
			continue
		}
		said, all := "witnessed by", w.After
		if all == nil {
			said, all = "witnessed as it would be by", w.Staged
		}
		if line := witnesses(said, all); line != "" {
			fmt.Fprintln(a.out, line)
		}
	}
}

// witnesses sums testimonies up in a line, or "" where there are none.
func witnesses(said string, all []trust.Testimony) string {
	by, refused, unheard := trust.Heard(all)
	var s []string
	if len(by) > 0 {
		s = append(s, said+" "+strings.Join(by, ", "))
	}
	if len(refused) > 0 {
		s = append(s, "not to be used by "+strings.Join(refused, ", "))
	}
	if len(unheard) > 0 {
		s = append(s, "not witnessed: "+strings.Join(unheard, ", "))
	}
	return strings.Join(s, "; ")
}

// jsonWitnessed is what readers said around one refresh.
type jsonWitnessed struct {
	Store  trust.StoreID   `json:"store"`
	Before []jsonTestimony `json:"before"`
	Staged []jsonTestimony `json:"staged,omitempty"`
	After  []jsonTestimony `json:"after,omitempty"`
}

type jsonTestimony struct {
	trust.Testimony
	Count int                `json:"count"`
	Roots []root.Fingerprint `json:"sha256,omitempty"` // of the store as it is now
}

// printEnforced writes the result of an enforcement for programs: with what
// readers said, which is true of that one run and no part of the status.
func (a *app) printEnforced(m *machine, r agent.Result) error {
	end := judged(m.belief, r)
	j := resultJSON(m, r)
	for _, w := range r.Witnessed {
		j.Witnessed = append(j.Witnessed, jsonWitnessed{w.Store, testimonies(w.Before, false), testimonies(w.Staged, false), testimonies(w.After, true)})
	}
	if err := encode(a.result, j); err != nil {
		return err
	}
	return end
}

func testimonies(all []trust.Testimony, roots bool) []jsonTestimony {
	var out []jsonTestimony
	for _, t := range all {
		j := jsonTestimony{Testimony: t, Count: len(t.Roots)}
		if roots {
			j.Roots = t.Roots
		}
		out = append(out, j)
	}
	return out
}
