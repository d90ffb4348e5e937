package policy

import (
	"time"

	"anchorhold.test/anchorhold/trust/root"
)

// Schema is the newest schema of a document that this program understands.
// Signing uses the lowest one that fits.
const Schema = 1

// Document is the payload of a signed policy: JSON, these members exactly.
type Document struct {
	Schema   int       `json:"schema"`
	Name     string    `json:"name"`    // of the policy; a host follows one
	Epoch    uint64    `json:"epoch"`   // of the keyset that signs, see Keyset.Epoch
	Version  uint64    `json:"version"` // 1..2^53-1
	Issued   time.Time `json:"issued"`  // UTC, whole seconds
	Expires  time.Time `json:"expires"` // at most 400 days after Issued
	Contact  string    `json:"contact,omitempty"`
	Notes    string    `json:"notes,omitempty"`
	Stages   []Stage   `json:"stages,omitempty"`
	Roots    []Root    `json:"roots"`
	Services []Service `json:"services,omitempty"`
}

// AllHosts is the stage that needs no declaration: every host, from the start.
const AllHosts = "all"

// Stage is a part of the fleet. A host is in it when it has every label, falls
// under the percentage, and the start has passed.
type Stage struct {
	Name    string            `json:"name"`
	Labels  map[string]string `json:"labels,omitempty"`
	Percent int               `json:"percent"` // 1..100
	Start   *time.Time        `json:"start,omitempty"`
	Notes   string            `json:"notes,omitempty"`
}

// Standing is what a policy says of a root.
type Standing string

// The standings.
const (
	Trusted    Standing = "trusted"
	Retired    Standing = "retired"    // to be taken out, exactly this root
	Distrusted Standing = "distrusted" // to be refused even where somebody else put it in
)

// Purposes a root may be trusted for. The default is tls-server alone.
const (
	TLSServer = "tls-server"
	TLSClient = "tls-client"
	Email     = "email"
	Code      = "code"
)

// Root is one root and what is to become of it. Its standings are ordered; the
// last one that is due for a host applies.
type Root struct {
	SHA256    root.Fingerprint  `json:"sha256"`
	DER       []byte            `json:"der,omitempty"` // needed for a trusted standing
	Label     string            `json:"label"`         // 1..64 characters
	Notes     string            `json:"notes,omitempty"`
	Standings []Step            `json:"standings"`
	Purposes  []string          `json:"purposes"`
	Stores    []string          `json:"stores"`
	Own       bool              `json:"own,omitempty"`      // a copy of our own beside one placed by hand
	Sweep     bool              `json:"sweep,omitempty"`    // copies in user stores go too
	Succeeds  *root.Fingerprint `json:"succeeds,omitempty"` // the root that this one takes over from
	Waivers   []Waiver          `json:"waivers,omitempty"`
	Sample    [][]byte          `json:"sample,omitempty"` // a certificate issued below the root, leaf first, by which hosts prove the root
}

// Step is one standing and the stage in which it is due.
type Step struct {
	Standing Standing   `json:"standing"`
	Stage    string     `json:"stage"`
	Deadline *time.Time `json:"deadline,omitempty"` // retired: the day after which it goes whatever depends on it
	Until    *time.Time `json:"until,omitempty"`    // trusted: the day on which it retires by itself
}

// Waiver lets one vetting finding of one root pass, with a written reason.
type Waiver struct {
	Code   string `json:"code"`
	Reason string `json:"reason"`
}

// Service is a TLS endpoint that must verify.
type Service struct {
	Name     string   `json:"name"`               // of the service, for people
	Address  string   `json:"address"`            // host:port to connect to
	Identity string   `json:"identity,omitempty"` // the name that must verify, if not the address's host
	StartTLS string   `json:"starttls,omitempty"` // "", "smtp", "ldap"
	Stages   []string `json:"stages,omitempty"`   // hosts that probe it; none: every host
	Notes    string   `json:"notes,omitempty"`
}
