package main

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// jsonSchema is the number of the form below; a member that changes its
// meaning raises it, a new member does not.
const jsonSchema = 1

type jsonResult struct {
	Schema     int               `json:"schema"`
	Exit       int               `json:"exit"`
	Policy     *jsonPolicy       `json:"policy,omitempty"`
	Conditions []agent.Condition `json:"conditions,omitempty"`
	Error      string            `json:"error,omitempty"` // why the offered policy was not taken
	Code       string            `json:"error_code,omitempty"`
	Source     *jsonSource       `json:"source,omitempty"` // of a policy that comes by the web
	Host       string            `json:"host,omitempty"`
	Labels     map[string]string `json:"labels,omitempty"`
	Placements []jsonPlacement   `json:"placements"`
	Waiting    []jsonWaiting     `json:"waiting,omitempty"`
	Planned    []jsonStep        `json:"planned,omitempty"`
	Held       []jsonStep        `json:"held,omitempty"`
	Suspended  []jsonSuspended   `json:"suspended,omitempty"`
	Changes    []jsonStep        `json:"changes,omitempty"`
	Witnessed  []jsonWitnessed   `json:"witnessed,omitempty"` // by enforce alone
	Unlisted   []jsonUnlisted    `json:"unlisted,omitempty"`
	Stores     []jsonStore       `json:"stores,omitempty"`

	Successions []jsonSuccession `json:"successions,omitempty"`
	NotAsked    []string         `json:"not_asked,omitempty"` // what no question reached, where services were asked
}

type jsonPolicy struct {
	Name    string    `json:"name"`
	Epoch   uint64    `json:"epoch"`
	Version uint64    `json:"version"`
	Payload string    `json:"payload_sha256"`
	Issued  time.Time `json:"issued"`
	Expires time.Time `json:"expires"`
	Signers []string  `json:"signers"`
}

type jsonPlacement struct {
	Root     root.Fingerprint `json:"sha256"`
	Label    string           `json:"label"`
	Standing string           `json:"standing"`
	Stage    string           `json:"stage"`
	Store    trust.StoreID    `json:"store"`
	State    trust.State      `json:"state"`
	Owner    agent.Owner      `json:"owner,omitempty"`
	Right    bool             `json:"right"`
	Where    []jsonLocation   `json:"where,omitempty"`
	Reasons  []string         `json:"reasons,omitempty"`
	Next     []string         `json:"next,omitempty"`
	Notes    []string         `json:"notes,omitempty"`
	Proofs   []trust.Proof    `json:"proofs,omitempty"`
	Deadline string           `json:"deadline,omitempty"`
	Until    string           `json:"until,omitempty"` // trusted until that day
	Gone     *jsonGone        `json:"gone,omitempty"`
}

type jsonLocation struct {
	Part    string       `json:"part"`
	Path    string       `json:"path"`
	Origin  trust.Origin `json:"origin"`
	Package string       `json:"package,omitempty"`
}

type jsonWaiting struct {
	Root   root.Fingerprint `json:"sha256"`
	Label  string           `json:"label"`
	Reason string           `json:"reason"`
}

type jsonStep struct {
	Op     trust.Op         `json:"op"`
	Root   root.Fingerprint `json:"sha256"`
	Store  trust.StoreID    `json:"store"`
	Why    string           `json:"why,omitempty"`
	Reason string           `json:"reason,omitempty"` // held: why
	Next   string           `json:"next,omitempty"`
	Error  string           `json:"error,omitempty"`
	Notes  []string         `json:"notes,omitempty"`

	Services []agent.Dependent `json:"services,omitempty"` // held: for which it waits
	Breaks   []agent.Dependent `json:"breaks,omitempty"`   // planned and done: what verifies no longer
	Absent   []string          `json:"proven_absent_by,omitempty"`
	Read     []string          `json:"still_read_by,omitempty"`
}

type jsonUnlisted struct {
	Root   root.Fingerprint `json:"sha256"`
	Store  trust.StoreID    `json:"store"`
	Op     trust.Op         `json:"op"` // place or block
	Since  time.Time        `json:"since"`
	Policy string           `json:"policy"`
}

type jsonStore struct {
	Store  trust.StoreID `json:"store"`
	Family string        `json:"family"`
	Error  string        `json:"error,omitempty"`
	Parts  []jsonPart    `json:"parts,omitempty"`
	Faults []trust.Fault `json:"faults,omitempty"`
}

type jsonPart struct {
	Name    string        `json:"name"`
	Path    string        `json:"path"`
	Count   int           `json:"count"`
	Blocked string        `json:"blocked,omitempty"`
	Unread  string        `json:"unread,omitempty"`
	Faults  []trust.Fault `json:"faults,omitempty"`
}

// printJSON writes a result for programs and returns its verdict.
func (a *app) printJSON(m *machine, r agent.Result) error {
	end := judged(m.belief, r)
	if err := encode(a.result, resultJSON(m, r)); err != nil {
		return err
	}
	return end
}

// tell writes what a command did, for programs that asked for it.
func (a *app) tell(members map[string]any) error {
	if !a.json {
		return nil
	}
	members["schema"], members["exit"] = jsonSchema, exitRight
	return encode(a.result, members)
}

func encode(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return fmt.Errorf("cannot write the result: %w", err)
	}
	return nil
}

func resultJSON(m *machine, r agent.Result) jsonResult {
	j := jsonResult{Schema: jsonSchema, Exit: codeOf(judged(m.belief, r)), Conditions: m.belief.Conditions, Source: sourceJSON(m), Host: m.facts.ID, Labels: m.facts.Labels, Placements: []jsonPlacement{}}
	if m.belief.Err != nil {
		j.Error, j.Code = m.belief.Err.Error(), refusalCode(m.belief.Err)
	}
	if p := m.belief.Policy; !p.IsZero() {
		d, mark := p.Document(), p.Mark()
		j.Policy = &jsonPolicy{d.Name, d.Epoch, d.Version, fmt.Sprintf("%x", mark.Payload), d.Issued, d.Expires, p.Signers()}
	}
	for _, row := range r.Rows {
		p := jsonPlacement{Root: row.Want.Root.Fingerprint, Label: row.Want.Label, Standing: string(row.Want.Standing), Stage: row.Want.Stage,
			Store: row.Want.Store, State: row.State, Owner: row.Owner, Right: row.Right, Reasons: row.Reasons, Next: row.Next, Notes: row.Notes,
			Proofs: row.Proofs, Deadline: when(row.Want.Deadline), Until: when(row.Want.Until), Gone: goneJSON(row)}
		for _, l := range row.Found {
			p.Where = append(p.Where, jsonLocation{l.Part, l.Path, l.Origin, l.Package})
		}
		j.Placements = append(j.Placements, p)
	}
	for _, w := range r.Waiting {
		j.Waiting = append(j.Waiting, jsonWaiting{w.Root, w.Label, w.Reason})
	}
	j.Suspended = suspendedJSON(m, r)
	for _, p := range r.Planned {
		s := step(p.Change)
		s.Breaks = p.Breaks
		j.Planned = append(j.Planned, s)
	}
	for _, h := range r.Held {
		s := step(h.Change)
		s.Reason, s.Next, s.Services = h.Reason, h.Next, h.Services
		j.Held = append(j.Held, s)
	}
	for _, c := range r.Changes {
		s := step(c.Change)
		s.Notes, s.Breaks, s.Absent, s.Read = c.Notes, c.Breaks, c.Absent, c.StillRead
		if c.Err != nil {
			s.Error = c.Err.Error()
		}
		j.Changes = append(j.Changes, s)
	}
	for _, e := range r.Unlisted {
		j.Unlisted = append(j.Unlisted, jsonUnlisted{e.Root, e.Store, e.Op, e.Since, e.Policy})
	}
	for _, v := range r.Stores {
		j.Stores = append(j.Stores, storeJSON(v))
	}
	j.services(r)
	return j
}

// refusalCode is the code of a policy that was not taken, or "" where it could
// not be read at all.
func refusalCode(err error) string {
	var pe *policy.Error
	if errors.As(err, &pe) {
		return string(pe.Code)
	}
	return ""
}

func step(c trust.Change) jsonStep {
	return jsonStep{Op: c.Op, Root: c.Root.Fingerprint, Store: c.Store, Why: c.Why}
}

func storeJSON(v agent.StoreView) jsonStore {
	s := jsonStore{Store: v.Store, Family: v.Capabilities.Family, Faults: v.Snapshot.Faults}
	if v.Err != nil {
		s.Error = v.Err.Error()
	}
	for _, p := range v.Snapshot.Parts {
		if !p.Present {
			continue
		}
		q := jsonPart{Name: p.Name, Path: p.Path, Count: p.Count, Unread: cmp.Or(p.Unread, p.Opaque), Faults: p.Faults}
		if p.Blocked != nil {
			q.Blocked = p.Blocked.String()
		}
		s.Parts = append(s.Parts, q)
	}
	return s
}
