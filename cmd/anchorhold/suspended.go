package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
)

// minute is how a time is shown to people that is soon.
const minute = "2006-01-02 15:04Z"

// suspensions reads what is suspended: from the state folder, or from the
// readable status where that is closed to the caller.
func (m *machine) suspensions(state readOnly) (agent.Suspensions, error) {
	s, err := agent.ReadSuspensions(state)
	if errors.Is(err, fs.ErrPermission) {
		return readStatus(m.host).suspensions(), nil
	}
	return s, err
}

// jsonSuspended is one suspension in results.
type jsonSuspended struct {
	Root   root.Fingerprint `json:"sha256"`
	Label  string           `json:"label,omitempty"`
	Since  time.Time        `json:"since"`
	Until  time.Time        `json:"until"`
	Reason string           `json:"reason"`
}

func suspendedJSON(m *machine, r agent.Result) []jsonSuspended {
	var all []jsonSuspended
	for _, s := range r.Suspended {
		all = append(all, jsonSuspended{s.Root, m.labelOf(s.Root), s.Since, s.Until, s.Reason})
	}
	return all
}

// showSuspended tells what an operator of this host keeps as it is.
func (a *app) showSuspended(m *machine, r agent.Result) {
	for _, s := range r.Suspended {
		fmt.Fprintf(a.out, "%s\n", paint(fmt.Sprintf("suspended: %s until %s", m.label(s.Root), s.Until.Format(minute)), uneasy, a.colour()))
		remark{"why", root.Safe(s.Reason, maxShown)}.write(a.out, a.colour())
		remark{"next", "it ends by itself, or now: sudo anchorhold suspend " + s.Root.Short() + " --end"}.write(a.out, a.colour())
	}
	if len(r.Suspended) > 0 {
		fmt.Fprintln(a.out)
	}
}

// published is what of the status a run without privileges uses.
type published struct {
	Host      string          `json:"host"`
	Suspended []jsonSuspended `json:"suspended"`
}

func (p published) suspensions() agent.Suspensions {
	var all agent.Suspensions
	for _, s := range p.Suspended {
		all = append(all, agent.Suspension{Root: s.Root, Since: s.Since, Until: s.Until, Reason: s.Reason})
	}
	return all
}

func readStatus(h *host.Host) published {
	var p published
	data, err := h.ReadFile(statePath+"/"+statusFile, maxStatus)
	if err != nil || json.Unmarshal(data, &p) != nil {
		return published{}
	}
	return p
}
