package agent

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"anchorhold.test/anchorhold/agent/ledger"
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
	Write(name string, data []byte, perm fs.FileMode) error  // atomic and synced
	Append(name string, line []byte, perm fs.FileMode) error // synced; repairs a torn last line first
}

// Condition is one thing to know about the policy that a host follows, in the
// words of the exit codes, the status and the log.
type Condition string

// The conditions. None of them changes anything in a store.
const (
	Unreachable Condition = "unreachable"          // the source could not be read
	Unverified  Condition = "transport-unverified" // TLS could not tell who the source is
	Refused     Condition = "refused"              // the source offers something that is not believed
	TooNew      Condition = "too-new"              // the offered policy needs a newer version of this program
	Stale       Condition = "stale"                // past its expiry
	ClockBehind Condition = "clock-behind"         // the clock is before the newest signed issue time
	NoPolicy    Condition = "no-policy"            // nothing was ever believed here
	NoFloor     Condition = "floor-unseen"         // the caller may not read what the host remembers
	MemoryLost  Condition = "memory-lost"          // what the host remembered is gone: the walk starts at the pin again
)

// Belief is the policy that a host follows, and what there is to say of it.
type Belief struct {
	Policy     policy.Verified // zero where nothing is believed
	Floor      policy.Floor
	File       []byte // the policy's bytes
	New        bool   // to be stored before anything else is done
	Conditions []Condition
	Err        error  // why the offered policy was not taken
	Away       error  // why the source could not be read, where a copy of what it offered stands in
	Transport  string // why TLS could not tell who the source is

	remembered Memory
	pin        policy.Pin
	now        time.Time
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
	Lost  bool   // there is no floor although this host has believed policies before
}

// Recall reads what the host remembers of the policy of that name. What is
// there and cannot be read is an error, never "version 0".
func Recall(dir Dir, name string) (Memory, error) {
	var m Memory
	held, err := dir.Read(PolicyFile, policy.MaxFile)
	switch {
	case errors.Is(err, fs.ErrPermission):
		return Memory{Blind: true}, nil
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return m, fmt.Errorf("cannot read the policy in force: %w", err)
	}
	m.Held = held
	for _, file := range []string{FloorFile, asideFile(name)} {
		data, err := dir.Read(file, maxFloor)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			continue
		case err != nil:
			return Memory{}, fmt.Errorf("cannot read the floor, and nothing is believed without it: %w", err)
		}
		if err := json.Unmarshal(data, &m.Floor); err != nil {
			return Memory{}, fmt.Errorf("cannot read the floor in %s, and nothing is believed without it: %w; restore it from a backup, or move it away, and the host starts at its pin again", file, err)
		}
		return m, nil
	}
	m.Lost, err = before(dir, held)
	return m, err
}

// before reports whether a host without a floor has believed policies before.
func before(dir Dir, held []byte) (bool, error) {
	if held != nil {
		return true, nil
	}
	for file, max := range map[string]int64{ledger.File: ledger.MaxFile, ledger.HistoryFile: ledger.MaxHistory} {
		_, err := dir.Read(file, max)
		if err == nil {
			return true, nil
		}
		if !errors.Is(err, fs.ErrNotExist) {
			return false, fmt.Errorf("cannot tell whether this host has believed a policy before: %w", err)
		}
	}
	return false, nil
}

// Believe decides which policy is in force: the offered one if it is good,
// else the last good one. offered is nil where the source could not be read,
// and why says so; beside it stands a copy of what the source offered before.
//
// The last good one counts first, so that the floor is never below what was in
// force: a run may have died after it stored a policy and before it stored the
// floor, or the floor may be lost.
func Believe(m Memory, offered []byte, why error, pin policy.Pin, now time.Time) Belief {
	b := Belief{Floor: m.Floor, Err: why, remembered: m, pin: pin, now: now}
	if m.Blind {
		b.Conditions = append(b.Conditions, NoFloor)
	}
	if m.Lost {
		b.Conditions = append(b.Conditions, MemoryLost)
	}
	var held policy.Verified
	var broken error
	if m.Held != nil {
		held, b.Floor, broken = policy.Reopen(m.Held, pin, m.Floor, now)
	}
	if offered != nil && why != nil {
		b.Away = why
		b.Conditions = append(b.Conditions, Unreachable)
	}
	if offered == nil && policy.CodeOf(why) != "" { // it was read far enough to be refused
		b.Conditions = append(b.Conditions, refusal(why))
	} else if offered == nil {
		b.Conditions = append(b.Conditions, Unreachable)
	} else if !held.IsZero() && bytes.Equal(m.Held, offered) {
		return b.follow(held, offered)
	} else {
		v, floor, err := policy.Open(offered, pin, b.Floor, now)
		if err == nil {
			b.Floor = floor
			return b.follow(v, offered)
		}
		b.Err = err
		b.Conditions = append(b.Conditions, refusal(err))
	}
	if !held.IsZero() {
		return b.follow(held, m.Held)
	}
	if broken != nil {
		b.Err = errors.Join(b.Err, fmt.Errorf("the last good policy is not believed any more: %w", broken))
	}
	b.Conditions = append(b.Conditions, NoPolicy)
	return b
}

// follow lets a policy be in force, and says what there is to say of it.
func (b Belief) follow(v policy.Verified, file []byte) Belief {
	b.Policy, b.File = v, file
	b.New = !b.remembered.Blind && (b.remembered.Floor.Mark != b.Floor.Mark || !bytes.Equal(b.remembered.Held, file))
	if v.Stale() {
		b.Conditions = append(b.Conditions, Stale)
	}
	if v.ClockBehind() {
		b.Conditions = append(b.Conditions, ClockBehind)
	}
	return b
}

// By notes why TLS could not tell from whom the offered policy came; "" is no
// news. The signatures have judged it already.
func (b Belief) By(why string) Belief {
	if b.Transport = why; why != "" {
		b.Conditions = append(b.Conditions, Unverified)
	}
	return b
}

func refusal(err error) Condition {
	var pe *policy.Error
	if errors.As(err, &pe) && pe.Code == policy.CodeTooNew {
		return TooNew
	}
	return Refused
}

// Keep stores a new belief before any store is touched: the policy first, then
// the floor, so that a death between the two leaves a policy that is simply
// believed again.
func (b Belief) Keep(dir Dir) error {
	if !b.New {
		return nil
	}
	if b.remembered.Lost {
		if err := ledger.Tell(dir, b.relearned()); err != nil {
			return err
		}
	}
	if b.remembered.Held == nil && !b.remembered.Lost {
		// The very first one: a death between the two must not look like a
		// memory that was lost. Nothing is in force yet that a floor could
		// keep from being believed.
		if err := keepFloor(dir, FloorFile, b.Floor); err != nil {
			return err
		}
		return b.keepPolicy(dir)
	}
	if err := b.keepPolicy(dir); err != nil {
		return err
	}
	return keepFloor(dir, FloorFile, b.Floor)
}

func (b Belief) keepPolicy(dir Dir) error {
	if err := dir.Write(PolicyFile, b.File, 0o600); err != nil {
		return fmt.Errorf("cannot store the policy: %w", err)
	}
	return nil
}

// relearned is what the history tells of a host that had lost its memory.
func (b Belief) relearned() ledger.Event {
	why := fmt.Sprintf("what this host remembered of policies was gone; it walked again from keyset %s, and version %d counts as the lowest", b.pin.Keyset.Number(), b.pin.MinVersion)
	if len(b.remembered.Held) > 0 {
		why = fmt.Sprintf("the floor was gone; it is %s again, from the policy that was in force", b.Floor.Mark)
	}
	return ledger.Event{Time: b.now, Op: ledger.Relearn, Status: ledger.Done, Why: why, Policy: PolicyName(b.Policy)}
}

func keepFloor(dir Dir, name string, f policy.Floor) error {
	data, err := json.Marshal(f)
	if err != nil {
		return fmt.Errorf("cannot encode the floor: %w", err)
	}
	if err := dir.Write(name, append(data, '\n'), 0o600); err != nil {
		return fmt.Errorf("cannot store the floor: %w", err)
	}
	return nil
}
