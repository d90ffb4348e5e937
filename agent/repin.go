package agent

import (
	"errors"
	"fmt"
	"io/fs"
	"time"

	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/policy"
)

// Shelf is a state folder from which files can be taken.
type Shelf interface {
	Dir
	Remove(name string) error // fs.ErrNotExist where there is none
}

// asideFile is where the floor of a policy lies that the host no longer
// follows: should it follow it again, it does not go back either.
func asideFile(name string) string { return "floor-" + name + ".json" }

// Repin lets a host believe another keyset from now on, because a person said
// so. It is told in the history first, with the reason. was is the pin before,
// zero where it is not known. The settings are the caller's to write,
// afterwards: a death before that leaves a host on which nothing is believed
// that its old pin does not lead to, and the command can be given again.
//
// Within one policy the floor only rises: what Floor.Repin refuses is refused.
// With another policy the floor is put aside, and the one that was put aside
// for that policy comes back. The ledger and the stores stay as they are.
func Repin(dir Shelf, was, is policy.Pin, reason string, now time.Time) error {
	m, err := Recall(dir, is.Keyset.Policy)
	if err != nil {
		return err
	}
	if m.Floor.IsZero() && m.Held != nil && !was.Keyset.IsZero() {
		_, m.Floor, _ = policy.Reopen(m.Held, was, policy.Floor{}, now) // zero if it is not believed
	}
	aside := !m.Floor.IsZero() && m.Floor.Keyset.Policy != is.Keyset.Policy
	floor := m.Floor
	if aside {
		if floor, err = fetchAside(dir, is.Keyset.Policy); err != nil {
			return err
		}
	}
	if floor, err = floor.Repin(is); err != nil {
		return fmt.Errorf("cannot pin another keyset: %w", err)
	}
	if !m.Floor.IsZero() {
		was.Keyset = m.Floor.Keyset // as far as the walk had come
	}
	if err := ledger.Tell(dir, ledger.Event{Time: now, Op: ledger.Repin, Status: ledger.Done, Why: reason, Was: whom(was), Is: whom(is)}); err != nil {
		return err
	}
	if aside {
		if err := keepFloor(dir, asideFile(m.Floor.Keyset.Policy), m.Floor); err != nil {
			return err
		}
		if err := remove(dir, PolicyFile); err != nil {
			return err
		}
	}
	if floor.IsZero() {
		return remove(dir, FloorFile)
	}
	return keepFloor(dir, FloorFile, floor)
}

func fetchAside(dir Dir, name string) (policy.Floor, error) {
	var f policy.Floor
	data, err := dir.Read(asideFile(name), maxFloor)
	if errors.Is(err, fs.ErrNotExist) {
		return f, nil
	}
	if err == nil {
		err = f.UnmarshalJSON(data)
	}
	if err != nil {
		return policy.Floor{}, fmt.Errorf("cannot read the floor that was put aside in %s: %w", asideFile(name), err)
	}
	return f, nil
}

func remove(dir Shelf, name string) error {
	if err := dir.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("cannot put %s aside: %w", name, err)
	}
	return nil
}

func whom(p policy.Pin) *ledger.Trust {
	k := p.Keyset
	if k.IsZero() {
		return nil
	}
	t := &ledger.Trust{Policy: k.Policy, Keyset: k.Number(), Threshold: k.Threshold, MinVersion: p.MinVersion}
	for _, key := range k.Keys {
		t.Keys = append(t.Keys, key.ID())
	}
	return t
}

// Adoptable decides whether a host whose settings are gone may take a pin
// without anybody saying why: where it remembers nothing, or where the pin
// leads to what it remembers.
func Adoptable(m Memory, pin policy.Pin, now time.Time) bool {
	if m.Floor.IsZero() && m.Held == nil || m.Floor.Keyset.Same(pin.Keyset) {
		return true
	}
	if m.Held == nil {
		return false
	}
	_, _, err := policy.Reopen(m.Held, pin, m.Floor, now)
	return err == nil
}
