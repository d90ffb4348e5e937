package policy

import (
	"crypto"
	"time"

	"anchorhold.test/anchorhold/trust/root"
)

// Mark is where a policy stands in its history; marks only go up.
type Mark struct {
	Epoch   uint64   `json:"epoch"`
	Version uint64   `json:"version"`
	Payload [32]byte `json:"-"` // SHA-256 of the payload
}

// Floor is what a host remembers of policies between runs.
type Floor struct {
	Mark   Mark
	Newest time.Time // the newest signed issue time of this epoch
	Keyset Keyset    // where the walk of keyset statements ended
}

// Verified is a policy that was believed. Only Open makes one.
type Verified struct{ v *verified }

type verified struct{}

func (v Verified) IsZero() bool       { return v.v == nil }
func (v Verified) Document() Document { panic("being written") } // a deep copy
func (v Verified) Mark() Mark         { panic("being written") }
func (v Verified) Signers() []string  { panic("being written") } // key ids that signed, sorted
func (v Verified) ClockBehind() bool  { panic("being written") } // the clock given to Open was before the newest signed issue time
func (v Verified) Now() time.Time     { panic("being written") } // the later of clock and newest signed issue time
func (v Verified) Stale() bool        { panic("being written") } // Now is past Expires
// AsOf is the time at which standings are judged: Now, but never past Expires.
func (v Verified) AsOf() time.Time { panic("being written") }

// Key is a public key that may sign.
type Key struct{}

// Keyset is the keys that may sign a policy.
type Keyset struct{}

func (k Keyset) Epoch() uint64 { panic("being written") }

// Pin is what a host believes before it saw anything.
type Pin struct {
	Keyset     Keyset
	MinVersion uint64 // of the pinned epoch
}

// Open decides whether a policy file is to be believed, and returns the floor
// to store before anything else is done with it. inForce is true where the
// same policy is being opened that the host already holds: then an expired one
// is returned as stale instead of refused.
func Open(file []byte, pin Pin, floor Floor, now time.Time) (Verified, Floor, error) {
	panic("being written")
}

// Signer is a private key that can sign.
type Signer struct{ s crypto.Signer }

// Error tells why something of a policy is not believed or cannot be used.
type Error struct {
	Code    string // stable
	Subject string // path, line, root
	Reason  string
	Next    string // what to do
	Err     error
}

func (e *Error) Error() string { panic("being written") }

var _ = root.Fingerprint{}
