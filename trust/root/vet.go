package root

import "time"

// Severity of a finding.
type Severity string

// The severities.
const (
	Refuse Severity = "refuse" // not placed unless waived, where it can be waived
	Warn   Severity = "warn"
	Note   Severity = "note"
)

// Finding is one result of vetting.
type Finding struct {
	Code     string // stable, lower case with dashes
	Severity Severity
	Reason   string
	Remedy   string
	Source   string // "RFC 5280 4.2.1.9", "measured: ...", "common practice"
	Waivable bool   // meaningful for Refuse
}

// Vet judges a certificate as a root to be trusted. others are the other
// certificates of the same policy or store, for twins.
func Vet(c *Certificate, now time.Time, others []*Certificate) []Finding { panic("being written") }

// Vouches says in plain words for what the root may vouch, one line a limit.
func Vouches(c *Certificate) []string { panic("being written") }

// Reception says what one library does with the root, as far as known rules
// tell.
type Reception struct {
	Library string // "Go", "OpenSSL", "GnuTLS", "NSS", "Java", "Python (strict)"
	Loads   bool   // false: the library cannot use the root at all
	Ignores []string
	Why     string
}

// Receptions lists libraries that refuse the root or ignore a constraint of
// it; a library that does neither is not listed.
func Receptions(c *Certificate) []Reception { panic("being written") }

// Kinship says how two certificates are related.
type Kinship struct {
	A, B Fingerprint
	Kind string // "renewed (same name, same key)", "same name, other key", "same key, other name", "cross-signed", "same issuer and serial"
	Text string
}

// Family lists all relations among the given certificates.
func Family(certs []*Certificate) []Kinship { panic("being written") }
