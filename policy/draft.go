package policy

import (
	"strconv"
	"time"

	"github.com/pelletier/go-toml/v2"
)

// MaxDraft bounds a draft, in bytes.
const MaxDraft = 1 << 20

// DefaultLifetime is how long a policy lives where the draft does not say.
const DefaultLifetime = 90 * day

// Draft is what a person writes about a policy, in TOML.
type Draft struct {
	Name     string         `toml:"name"`
	Version  uint64         `toml:"version"`
	Expires  Expiry         `toml:"expires"`
	Contact  string         `toml:"contact"`
	Notes    string         `toml:"notes"`
	Stages   []DraftStage   `toml:"stage"`
	Roots    []DraftRoot    `toml:"root"`
	Services []DraftService `toml:"service"`
}

// DraftStage is a [[stage]].
type DraftStage struct {
	Line    int               `toml:"-"`
	Name    string            `toml:"name"`
	Labels  map[string]string `toml:"labels"`
	Percent *int              `toml:"percent"` // nil: 100
	Start   *Moment           `toml:"start"`
	Notes   string            `toml:"notes"`
}

// DraftRoot is a [[root]]. Either Standing, which is for all hosts, or
// Standings is given.
type DraftRoot struct {
	Line      int           `toml:"-"`
	Label     string        `toml:"label"`
	File      string        `toml:"file"`
	SHA256    string        `toml:"sha256"`    // as people write it, see root.ParseFingerprint
	Confirmed *bool         `toml:"confirmed"` // false: nobody has compared the fingerprint yet
	Standing  string        `toml:"standing"`
	Standings []DraftStep   `toml:"standings"`
	Purposes  []string      `toml:"purposes"` // none: tls-server
	Stores    []string      `toml:"stores"`   // none: machine
	Own       bool          `toml:"own"`
	Sweep     bool          `toml:"sweep"`
	Succeeds  string        `toml:"succeeds"` // label or fingerprint of a root of this draft
	Waive     []DraftWaiver `toml:"waive"`
	Sample    string        `toml:"sample"` // file with a certificate issued below the root
	Notes     string        `toml:"notes"`
}

// DraftStep is one of a root's standings.
type DraftStep struct {
	Standing string  `toml:"standing"`
	Stage    string  `toml:"stage"` // none: all hosts
	Deadline *Moment `toml:"deadline"`
	Until    *Moment `toml:"until"`
}

// DraftWaiver lets one finding of a root pass.
type DraftWaiver struct {
	Code   string `toml:"code"`
	Reason string `toml:"reason"`
}

// DraftService is a [[service]].
type DraftService struct {
	Line     int      `toml:"-"`
	Name     string   `toml:"name"`
	Address  string   `toml:"address"`
	Identity string   `toml:"identity"`
	StartTLS string   `toml:"starttls"`
	Stages   []string `toml:"stages"`
	Notes    string   `toml:"notes"`
}

// ParseDraft reads a draft of at most MaxDraft bytes strictly. All lines that
// are wrong are told at once, each as an *Error of code "draft".
func ParseDraft(data []byte) (Draft, error) {
	var d Draft
	if len(data) > MaxDraft {
		return d, refuse(CodeTooLarge, "draft", "more than %d bytes", MaxDraft)
	}
	if err := decodeTOML(data, &d); err != nil {
		return Draft{}, err
	}
	return d, nil
}

// Moment is a date, or a date and time with a zone.
type Moment struct {
	Time time.Time // UTC; the first second of a date
	Date bool
}

func (m *Moment) fromTOML(v any) (want string) {
	const expected = "a date as 2026-03-01, or a time as 2026-03-01T08:00:00Z"
	switch v := v.(type) {
	case time.Time:
		*m = Moment{Time: v.UTC().Truncate(time.Second)}
		return ""
	case toml.LocalDate:
		*m = Moment{v.AsTime(time.UTC), true}
		return ""
	case string:
		if t, err := time.Parse(time.DateOnly, v); err == nil {
			*m = Moment{t, true}
			return ""
		}
	}
	return expected
}

// end returns the last second of a date: what is said of a day holds through
// that day.
func (m *Moment) end() *time.Time {
	if m == nil {
		return nil
	}
	t := m.Time
	if m.Date {
		t = t.Add(day - time.Second)
	}
	return &t
}

func (m *Moment) begin() *time.Time {
	if m == nil {
		return nil
	}
	return clonePointer(&m.Time)
}

// Expiry is a number of days after signing, or a date. The zero value is
// DefaultLifetime.
type Expiry struct {
	Days int
	At   *Moment
}

var daysForm = lazy(`^([1-9][0-9]{0,3})d$`)

func (e *Expiry) fromTOML(v any) (want string) {
	if s, ok := v.(string); ok {
		if m := daysForm().FindStringSubmatch(s); m != nil {
			days, err := strconv.Atoi(m[1])
			*e = Expiry{Days: days}
			if err == nil {
				return ""
			}
		}
	}
	var m Moment
	if m.fromTOML(v) != "" {
		return `days as "90d", or a date as 2026-03-01`
	}
	*e = Expiry{At: &m}
	return ""
}

// after returns when a policy issued at that time expires.
func (e Expiry) after(issued time.Time) time.Time {
	switch {
	case e.At != nil:
		return e.At.Time
	case e.Days > 0:
		return issued.Add(time.Duration(e.Days) * day)
	}
	return issued.Add(DefaultLifetime)
}
