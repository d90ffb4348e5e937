package root

import (
	"fmt"
	"time"
)

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
	Code     string   `json:"code"` // stable, lower case with dashes
	Severity Severity `json:"severity"`
	Reason   string   `json:"reason"`
	Remedy   string   `json:"remedy,omitempty"`
	Source   string   `json:"source,omitempty"` // "RFC 5280 4.2.1.9", "measured: ...", "common practice"
	Waivable bool     `json:"waivable"`         // meaningful for Refuse
}

// maxFindings bounds the findings on one certificate.
const maxFindings = 60

// Vet judges a certificate as a root to be trusted. others are the other
// certificates of the same policy or store, for twins. Findings that refuse
// come first, else they keep the order of the rules. Whether a root is public
// already, the caller knows by its fingerprint.
func Vet(c *Certificate, now time.Time, others []*Certificate) []Finding {
	v := vetting{c: c, now: now, key: readKey(c.SPKI)}
	v.place()
	v.parsing()
	if role := c.Role(); role == RoleServer || role == RoleIssuing {
		return v.sorted() // what a root must be like is beside the point
	}
	for _, rule := range []func(*vetting){
		(*vetting).authority, (*vetting).usage, (*vetting).signature, (*vetting).rsa, (*vetting).curve,
		(*vetting).validity, (*vetting).lifetime, (*vetting).dateForm,
		(*vetting).serial, (*vetting).names, (*vetting).keyIDs, (*vetting).extensions,
		(*vetting).extKeyUsage, (*vetting).constraints,
	} {
		rule(&v)
	}
	v.twins(others)
	return v.sorted()
}

// vetting gathers the findings on one certificate.
type vetting struct {
	c     *Certificate
	now   time.Time
	key   keyFacts
	found []Finding
}

func (v *vetting) add(f Finding) {
	if len(v.found) < maxFindings {
		v.found = append(v.found, f)
	}
}

// refuse adds a finding that a written waiver may let pass.
func (v *vetting) refuse(code, source, remedy, reason string, args ...any) {
	v.add(Finding{Code: code, Severity: Refuse, Reason: fmt.Sprintf(reason, args...), Remedy: remedy, Source: source, Waivable: true})
}

// never adds a finding that nothing lets pass.
func (v *vetting) never(code, source, remedy, reason string, args ...any) {
	v.add(Finding{Code: code, Severity: Refuse, Reason: fmt.Sprintf(reason, args...), Remedy: remedy, Source: source})
}

func (v *vetting) warn(code, source, remedy, reason string, args ...any) {
	v.add(Finding{Code: code, Severity: Warn, Reason: fmt.Sprintf(reason, args...), Remedy: remedy, Source: source})
}

func (v *vetting) note(code, source, reason string, args ...any) {
	v.add(Finding{Code: code, Severity: Note, Reason: fmt.Sprintf(reason, args...), Source: source})
}

func (v *vetting) sorted() []Finding {
	out := make([]Finding, 0, len(v.found))
	for _, s := range []Severity{Refuse, Warn, Note} {
		for _, f := range v.found {
			if f.Severity == s {
				out = append(out, f)
			}
		}
	}
	return out
}

const newRoot = "have the CA issue a new root"
