package trust

import (
	"context"
	"time"

	"anchorhold.test/anchorhold/trust/root"
)

// PlatformPart names a part that no account reads as a file: what the platform
// itself judges. A store that has one calls it so, and accounts confirm claims
// by asking the platform.
const PlatformPart = "trust"

// Claim asks that accounts without privileges confirm what is said of one root
// in one store: that it is there and validates a certificate, or that it is
// gone.
type Claim struct {
	Store  StoreID    `json:"store"`
	Root   Root       `json:"root"`
	Gone   bool       `json:"gone,omitempty"`
	Parts  []Part     `json:"parts"`            // compiled parts that are present
	Copies []Location `json:"copies"`           // where the root was seen
	Sample [][]byte   `json:"sample,omitempty"` // certificate chain issued below the root, leaf first
	At     time.Time  `json:"at"`               // the time at which the sample is judged
}

// Proof is what one account found when it tried one claim.
type Proof struct {
	Store    StoreID          `json:"store"`
	Root     root.Fingerprint `json:"root"`
	Account  string           `json:"account"`
	Holds    bool             `json:"holds"`              // the claim is true for this account
	Unable   string           `json:"unable,omitempty"`   // the account could not be asked at all
	Failures []string         `json:"failures,omitempty"` // what it could not read or confirm, with path and mode
	By       string           `json:"by,omitempty"`       // what was validated
}

// Prover tries claims as other accounts.
type Prover interface {
	Prove(ctx context.Context, claims []Claim) ([]Proof, error)
}
