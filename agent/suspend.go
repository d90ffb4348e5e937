package agent

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"time"
	"unicode"
	"unicode/utf8"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/root"
)

// Bounds of suspensions.
const (
	SuspendedFile  = "suspended.json" // in the state folder
	MaxSuspension  = 7 * 24 * time.Hour
	MaxReason      = 200 // characters
	maxSuspended   = 1 << 20
	maxSuspensions = 1000
	suspendSchema  = 1
	// clockSlack is how far a clock may step back before a suspension counts as
	// made by a clock that was ahead.
	clockSlack = 10 * time.Minute
)

// Suspension says that changes of one root wait on this host.
type Suspension struct {
	Root   root.Fingerprint `json:"sha256"`
	Since  time.Time        `json:"since"`
	Until  time.Time        `json:"until"`
	Reason string           `json:"reason"`
}

// Holds reports whether the suspension is in force. One from a time to come
// was made while the clock was ahead, and holds nothing.
func (s Suspension) Holds(now time.Time) bool {
	return now.Before(s.Until) && !now.Add(clockSlack).Before(s.Since)
}

func (s Suspension) check() error {
	switch {
	case s.Root.IsZero():
		return errors.New("a suspension names its root")
	case !s.Until.After(s.Since):
		return errors.New("a suspension ends after it begins")
	case s.Until.Sub(s.Since) > MaxSuspension:
		return fmt.Errorf("a suspension lasts at most %d days", MaxSuspension/(24*time.Hour))
	case s.Reason == "" || utf8.RuneCountInString(s.Reason) > MaxReason:
		return fmt.Errorf("a suspension has a reason of at most %d characters", MaxReason)
	}
	for _, r := range s.Reason {
		if !unicode.IsPrint(r) {
			return errors.New("the reason holds a character that is not shown")
		}
	}
	return nil
}

// Suspensions are those of one host, each root once.
type Suspensions []Suspension

type suspendedJSON struct {
	Schema    int         `json:"schema"`
	Suspended Suspensions `json:"suspended"`
}

// ReadSuspensions reads those in the state folder; a host that never had one
// has no file. What cannot be read is an error: a root that somebody keeps as
// it is must not change because a file is damaged.
func ReadSuspensions(dir Dir) (Suspensions, error) {
	data, err := dir.Read(SuspendedFile, maxSuspended)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("cannot read what is suspended: %w", err)
	}
	var j suspendedJSON
	err = json.Unmarshal(data, &j)
	var again []byte
	if err == nil {
		again, err = j.Suspended.encode()
	}
	if err == nil && !bytes.Equal(again, data) {
		err = errors.New("it is not as anchorhold writes it") // the one writer has one form
	}
	if err != nil {
		return nil, fmt.Errorf("cannot read what is suspended in %s: %w; move the file away and nothing is suspended", SuspendedFile, err)
	}
	return j.Suspended, nil
}

func (s Suspensions) encode() ([]byte, error) {
	if len(s) > maxSuspensions {
		return nil, fmt.Errorf("more than %d suspensions", maxSuspensions)
	}
	for i, one := range s {
		if err := one.check(); err != nil {
			return nil, err
		}
		if s[:i].of(one.Root) >= 0 {
			return nil, fmt.Errorf("%s is suspended twice", one.Root.Short())
		}
	}
	data, err := json.MarshalIndent(suspendedJSON{suspendSchema, append(Suspensions{}, s...)}, "", " ")
	return append(data, '\n'), err
}

// Keep stores them.
func (s Suspensions) Keep(dir Dir) error {
	return keep(dir, SuspendedFile, "what is suspended", s.encode)
}

func (s Suspensions) of(fp root.Fingerprint) int {
	return slices.IndexFunc(s, func(one Suspension) bool { return one.Root == fp })
}

// Of returns the suspension of a root that is in force.
func (s Suspensions) Of(fp root.Fingerprint, now time.Time) (Suspension, bool) {
	i := s.of(fp)
	if i < 0 || !s[i].Holds(now) {
		return Suspension{}, false
	}
	return s[i], true
}

// InForce returns those that are in force.
func (s Suspensions) InForce(now time.Time) Suspensions {
	return slices.DeleteFunc(slices.Clone(s), func(one Suspension) bool { return !one.Holds(now) })
}

// Begin suspends a root. What is in force may be made longer, but one and the
// same suspension never lasts longer than MaxSuspension from its begin. Those
// that have ended are dropped.
func (s Suspensions) Begin(fp root.Fingerprint, length time.Duration, reason string, now time.Time) (Suspensions, Suspension, error) {
	now = now.UTC().Truncate(time.Second)
	one := Suspension{Root: fp, Since: now, Until: now.Add(length.Truncate(time.Second)), Reason: reason}
	next := s.InForce(now)
	if i := next.of(fp); i >= 0 {
		one.Since = next[i].Since
		next = slices.Delete(next, i, i+1)
	}
	if one.Until.Sub(one.Since) > MaxSuspension {
		return s, one, fmt.Errorf("cannot suspend %s until %s: a suspension lasts at most 7 days, and this one began on %s", fp.Short(), one.Until.Format(time.DateTime), one.Since.Format(time.DateTime))
	}
	if err := one.check(); err != nil {
		return s, one, fmt.Errorf("cannot suspend %s: %w", fp.Short(), err)
	}
	return append(next, one), one, nil
}

// End lets changes of a root go on, and reports whether they waited.
func (s Suspensions) End(fp root.Fingerprint, now time.Time) (Suspensions, bool) {
	next := s.InForce(now)
	i := next.of(fp)
	if i < 0 {
		return next, false
	}
	return slices.Delete(next, i, i+1), true
}

// hold keeps the steps of suspended roots back. A root that the policy
// distrusts is never suspended.
func (s Suspensions) hold(steps []Step, now time.Time) (going []Step, held []Held) {
	for _, st := range steps {
		one, waits := s.Of(st.Change.Root.Fingerprint, now)
		if !waits || st.Want.Standing == policy.Distrusted {
			going = append(going, st)
			continue
		}
		held = append(held, Held{Step: st,
			Reason: fmt.Sprintf("it is suspended on this host until %s: %s", one.Until.Format("2006-01-02 15:04Z"), root.Safe(one.Reason, MaxReason)),
			Next:   "it goes on by itself then; to let it go on now: anchorhold suspend " + one.Root.Short() + " --end"})
	}
	return going, held
}

// now is the time by which an order is judged: the policy's, where there is
// one, as that does not believe a clock that is behind.
func (o Order) now() time.Time {
	if o.Policy.IsZero() {
		return o.Now
	}
	return o.Policy.Now()
}
