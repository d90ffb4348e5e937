package policy

import (
	"cmp"
	"crypto/sha256"
	"fmt"
	"strconv"
	"time"
)

// Mark is where a policy stands in its history; marks only go up.
type Mark struct {
	Epoch   uint64
	Version uint64
	Payload [sha256.Size]byte // SHA-256 of the payload
}

// IsZero reports whether m was never set.
func (m Mark) IsZero() bool { return m == Mark{} }

// Compare orders marks by epoch and version. Marks that are equal by it and
// differ in the payload are two policies under one number.
func (m Mark) Compare(other Mark) int {
	return cmp.Or(cmp.Compare(m.Epoch, other.Epoch), cmp.Compare(m.Version, other.Version))
}

// String names the mark for people.
func (m Mark) String() string { return fmt.Sprintf("version %d of epoch %d", m.Version, m.Epoch) }

// markJSON is Mark's form where it is stored or told.
type markJSON struct {
	Epoch   uint64 `json:"epoch"`
	Version uint64 `json:"version"`
	Payload Digest `json:"payload"`
}

// MarshalJSON writes epoch, version and payload hash.
func (m Mark) MarshalJSON() ([]byte, error) {
	return marshal(markJSON{m.Epoch, m.Version, m.Payload})
}

// UnmarshalJSON reads exactly what MarshalJSON writes.
func (m *Mark) UnmarshalJSON(data []byte) error {
	var j markJSON
	if err := decodeStrict(data, maxState, "mark", &j); err != nil {
		return err
	}
	*m = Mark{j.Epoch, j.Version, j.Payload}
	return nil
}

// Floor is what a host remembers of policies between runs. The zero value is
// that of a host that never believed a policy.
type Floor struct {
	Mark   Mark
	Newest time.Time // the newest signed issue time of the mark's epoch
	Keyset Keyset    // where the walk of keyset statements ended, or the newer pin that somebody set
}

// IsZero reports whether nothing was ever believed.
func (f Floor) IsZero() bool { return f.Mark.IsZero() && f.Newest.IsZero() && f.Keyset.IsZero() }

// Repin returns the floor of a host on which somebody pins another keyset of
// the same policy. Nothing is lowered: the mark stays, and the pin must not
// have a lower epoch than the keyset that the host has seen. Of policies of
// that new epoch none was seen, so that min_version alone is below them.
func (f Floor) Repin(pin Pin) (Floor, error) {
	k := pin.Keyset
	if err := pin.check(); err != nil || f.IsZero() {
		return f, err
	}
	switch {
	case k.Policy != f.Keyset.Policy:
		return f, refuse(CodeKeysetOtherPolicy, "pin", "it belongs to policy %q, what this host has seen to %q", k.Policy, f.Keyset.Policy)
	case k.Epoch() < f.Keyset.Epoch(), k.Epoch() == f.Keyset.Epoch() && !k.Same(f.Keyset):
		e := refuse(CodeKeysetRollback, "pin", "it is keyset %s, this host has seen %s", k.Number(), f.Keyset.Number())
		e.Next = "make the starter file from the newest keyset; one that begins anew is made with 'anchorhold keyset new --after', so that no host goes back"
		return f, e
	}
	f.Keyset = k
	return f, nil
}

const (
	floorSchema = 1
	maxState    = 64 << 10 // bytes of a stored floor
)

type floorJSON struct {
	Schema  int       `json:"schema"`
	Epoch   uint64    `json:"epoch"`
	Version uint64    `json:"version"`
	Payload Digest    `json:"payload"`
	Newest  time.Time `json:"newest"`
	Keyset  Keyset    `json:"keyset"`
}

// MarshalJSON writes a floor to be stored. A zero floor is not written: a host
// that has none has no file.
func (f Floor) MarshalJSON() ([]byte, error) {
	if err := f.check(); err != nil {
		return nil, err
	}
	return marshal(floorJSON{floorSchema, f.Mark.Epoch, f.Mark.Version, f.Mark.Payload, f.Newest, f.Keyset})
}

// UnmarshalJSON reads a stored floor. What cannot be read is an error and
// never the zero floor, which would let every old policy in again.
func (f *Floor) UnmarshalJSON(data []byte) error {
	var j floorJSON
	n, err := bounded(data, maxState, "floor", floorSchema)
	if err == nil {
		err = decodeNode(n, "floor", &j)
	}
	got := Floor{Mark{j.Epoch, j.Version, j.Payload}, j.Newest, j.Keyset}
	if err == nil {
		err = got.check()
	}
	if err != nil {
		return &Error{Code: CodeBadState, Subject: "floor", Reason: err.Error(), Next: mendState, Err: err}
	}
	*f = got
	return nil
}

func (f Floor) check() error {
	switch {
	case f.Mark.Version < 1 || f.Mark.Version > maxInteger || f.Mark.Payload == [sha256.Size]byte{} || f.Newest.IsZero():
		return refuse(CodeBadState, "floor", "the floor holds no policy's mark")
	case f.Mark.Epoch < 1 || f.Mark.Epoch > f.Keyset.Epoch():
		return refuse(CodeBadState, "floor", "epoch %d does not fit its keyset's, %d", f.Mark.Epoch, f.Keyset.Epoch())
	case !plain(f.Newest):
		return refuse(CodeBadTime, "floor", "times are UTC and whole seconds")
	}
	return f.Keyset.Check()
}

func item(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }
