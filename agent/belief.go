package agent

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"anchorhold.test/anchorhold/policy"
)

// Files in the state folder, beside the ledger's.
const (
	PolicyFile = "policy.jws" // the last good policy, as it came
	FloorFile  = "floor.json" // below which no policy is believed
	maxFloor   = 1 << 20
)

// Dir is the state folder.
type Dir interface {
	Read(name string, max int64) ([]byte, error)
	Write(name string, data []byte, perm fs.FileMode) error // atomic and synced
}

// Condition is one thing to know about the policy that a host follows, in the
// words of the exit codes, the status and the log.
type Condition string

// The conditions. None of them changes anything in a store.
const (
	Unreachable Condition = "unreachable"  // the source could not be read
	Refused     Condition = "refused"      // the source offers something that is not believed
	TooNew      Condition = "too-new"      // the offered policy needs a newer version of this program
	Stale       Condition = "stale"        // past its expiry
	ClockBehind Condition = "clock-behind" // the clock is before the newest signed issue time
	NoPolicy    Condition = "no-policy"    // nothing was ever believed here
	NoFloor     Condition = "floor-unseen" // the caller may not read what the host remembers
)

// Belief is the policy that a host follows, and what there is to say of it.
type Belief struct {
	Policy     policy.Verified // zero where nothing is believed
	Floor      policy.Floor
	File       []byte // the policy's bytes
	New        bool   // to be stored before anything else is done
	Conditions []Condition
	Err        error // why the offered policy was not taken
}

// Has reports whether a condition holds.
func (b Belief) Has(c Condition) bool {
	for _, d := range b.Conditions {
		if c == d {
			return true
		}
	}
	return false
}

// Memory is what a host remembers of policies.
type Memory struct {
	Floor policy.Floor
	Held  []byte // last good policy file, nil if none
	Blind bool   // the caller was not allowed to look
}

// Recall reads what the host remembers. What is there and cannot be read is an
// error, never "version 0".
func Recall(dir Dir) (Memory, error) {
	var m Memory
	held, err := dir.Read(PolicyFile, policy.MaxFile)
	switch {
	case errors.Is(err, fs.ErrPermission):
		return Memory{Blind: true}, nil
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return m, fmt.Errorf("cannot read the policy in force: %w", err)
	}
	data, err := dir.Read(FloorFile, maxFloor)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return Memory{Held: held}, nil
	case err != nil:
		return m, fmt.Errorf("cannot read the floor, and nothing is believed without it: %w", err)
	}
	if err := json.Unmarshal(data, &m.Floor); err != nil {
		return Memory{}, fmt.Errorf("cannot read the floor in %s, and nothing is believed without it: %w", FloorFile, err)
	}
	m.Held = held
	return m, nil
}

// Believe decides which policy is in force: the offered one if it is good,
// else the last good one. offered is nil where the source could not be read,
// and why says so.
func Believe(m Memory, offered []byte, why error, pin policy.Pin, now time.Time) Belief {
	b := Belief{Floor: m.Floor, Err: why}
	if m.Blind {
		b.Conditions = append(b.Conditions, NoFloor)
	}
	if offered != nil {
		v, floor, err := policy.Open(offered, pin, m.Floor, now)
		if err == nil {
			b.Policy, b.Floor, b.File = v, floor, offered
			b.New = !m.Blind && (m.Floor.Mark != floor.Mark || !bytes.Equal(m.Held, offered))
			return b.look()
		}
		b.Err = err
		b.Conditions = append(b.Conditions, refusal(err))
	} else {
		b.Conditions = append(b.Conditions, Unreachable)
	}
	if m.Held != nil {
		v, _, err := policy.Open(m.Held, pin, m.Floor, now)
		if err == nil {
			b.Policy, b.File = v, m.Held
			return b.look()
		}
		b.Err = errors.Join(b.Err, fmt.Errorf("the last good policy is not believed any more: %w", err))
	}
	b.Conditions = append(b.Conditions, NoPolicy)
	return b
}

func refusal(err error) Condition {
	var pe *policy.Error
	if errors.As(err, &pe) && pe.Code == policy.CodeTooNew {
		return TooNew
	}
	return Refused
}

func (b Belief) look() Belief {
	if b.Policy.Stale() {
		b.Conditions = append(b.Conditions, Stale)
	}
	if b.Policy.ClockBehind() {
		b.Conditions = append(b.Conditions, ClockBehind)
	}
	return b
}

// Keep stores a new belief: the policy first, then the floor, both before any
// store is touched. A death between the two leaves a policy that is simply
// believed again.
func (b Belief) Keep(dir Dir) error {
	if !b.New {
		return nil
	}
	data, err := json.Marshal(b.Floor)
	if err != nil {
		return fmt.Errorf("cannot encode the floor: %w", err)
	}
	if err := dir.Write(PolicyFile, b.File, 0o600); err != nil {
		return fmt.Errorf("cannot store the policy: %w", err)
	}
	if err := dir.Write(FloorFile, append(data, '\n'), 0o600); err != nil {
		return fmt.Errorf("cannot store the floor: %w", err)
	}
	return nil
}
