package main

import (
	"fmt"
	"time"

	"anchorhold.test/anchorhold/agent"
)

// lateAfter is after how many periods without an answer somebody should look.
const lateAfter = 3

// whyOf says why a condition of the policy holds, "" where there is no more to
// say than the condition itself.
func whyOf(c agent.Condition, b agent.Belief) string {
	err := b.Err
	switch c {
	case agent.Unverified:
		return b.Transport
	case agent.Unreachable:
		if b.Away != nil {
			err = b.Away
		}
	case agent.Refused, agent.TooNew:
	default:
		return ""
	}
	if err == nil {
		return ""
	}
	why := err.Error()
	if code := refusalCode(err); code != "" {
		why += " [" + code + "]"
	}
	return why
}

// showSource writes from which address the policy comes and how old the copy
// is, so that nobody takes an old one for the newest.
func (a *app) showSource(m *machine) {
	rec := m.source.record
	if rec.Address == "" {
		return
	}
	line := "Source  " + rec.Address
	if !rec.Checked.IsZero() {
		line += ", last answer " + ago(a.now().Sub(rec.Checked))
	}
	fmt.Fprintln(a.out, line)
	if every := m.settings.Every(); !rec.Checked.IsZero() && a.now().Sub(rec.Checked) > lateAfter*every {
		remark{"note", fmt.Sprintf("the settings say to ask every %s: does anything run 'anchorhold enforce' on this host?", lengthWords(every))}.write(a.out, a.colour())
	}
}

func ago(d time.Duration) string {
	if d < time.Minute {
		return "just now"
	}
	return length(d) + " ago"
}

// length is a time in one unit.
func length(d time.Duration) string {
	switch {
	case d < 2*time.Hour:
		return count(int(d/time.Minute), "minute", "minutes")
	case d < 48*time.Hour:
		return count(int(d/time.Hour), "hour", "hours")
	}
	return count(int(d/(24*time.Hour)), "day", "days")
}

// jsonSource is the address that a policy comes from.
type jsonSource struct {
	Address    string     `json:"address"`
	Fetched    *time.Time `json:"fetched,omitempty"` // when the copy came
	Checked    *time.Time `json:"checked,omitempty"` // when the address answered last; not in the status
	Since      *time.Time `json:"unreachable_since,omitempty"`
	Code       string     `json:"code,omitempty"`
	Error      string     `json:"error,omitempty"`
	Unverified string     `json:"unverified,omitempty"`
}

func sourceJSON(m *machine) *jsonSource {
	rec := m.source.record
	if rec.Address == "" {
		return nil
	}
	j := &jsonSource{Address: rec.Address, Fetched: second(rec.Fetched), Checked: second(rec.Checked), Since: second(rec.Since), Code: string(rec.Code), Unverified: rec.Unverified}
	if err := rec.Trouble(); err != nil {
		j.Error = err.Error()
	}
	return j
}

// second is a time in whole seconds, nil where there is none.
func second(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC().Truncate(time.Second)
	return &t
}
