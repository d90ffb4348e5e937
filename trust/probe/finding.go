package probe

import (
	"fmt"
	"slices"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// Codes of findings, stable. What each means to users and what to do stands in
// kinds.
const (
	// About reaching it.
	codeName         = "name-unusable"
	codeNotFound     = "dns-missing"
	codeManyAddrs    = "addresses-many"
	codeDiffer       = "addresses-differ"
	codeNoRoute      = "address-no-route"
	codeReverse      = "dns-reverse"
	codeIDN          = "name-converted"
	codeSilent       = "no-answer"
	codeNotTLS       = "not-tls"
	codeNoUpgrade    = "starttls-refused"
	codeHandshake    = "handshake-failed"
	codeFlood        = "handshake-too-large"
	codeVersion      = "tls-version"
	codeSuite        = "cipher-outdated"
	codeClientCert   = "client-certificate"
	codeUnparsable   = "unparsable"
	codeUnparsableCA = "issuer-unparsable"

	// About the name.
	codeNoSAN        = "san-missing"
	codeMismatch     = "name-mismatch"
	codeShort        = "name-short"
	codeIPAsDNS      = "ip-as-dns"
	codeWildcard     = "wildcard-level"
	codeWildcardForm = "wildcard-form"
	codeWildcardWide = "wildcard-wide"

	// About dates.
	codeExpired     = "expired"
	codeNotYet      = "not-yet-valid"
	codeSoon        = "expires-soon"
	codeCAExpired   = "issuer-expired"
	codeCANotYet    = "issuer-not-yet-valid"
	codeCASoon      = "issuer-expires-soon"
	codeRootExpired = "root-expired"
	codeRootNotYet  = "root-not-yet-valid"
	codeRootSoon    = "root-expires-soon"
	codeLong        = "lifetime-long"

	// About the chain.
	codeMissing     = "issuer-missing"
	codeUnknown     = "root-unknown"
	codeNotHere     = "root-not-here"
	codeOtherKey    = "root-other-key"
	codeSelfSigned  = "self-signed"
	codeCALeaf      = "ca-as-leaf"
	codeOrder       = "chain-order"
	codeRootSent    = "root-sent"
	codeTwin        = "stale-twin"
	codeExtra       = "chain-extra"
	codeTooLong     = "chain-too-long"
	codeHuge        = "chain-large"
	codeNameLimit   = "name-constrained"
	codePathLength  = "path-length"
	codeNotCA       = "issuer-not-ca"
	codeCritical    = "critical-unknown"
	codeRefused     = "chain-refused"
	codeAnchorLimit = "root-limits"

	// About keys, signatures and purpose.
	codeWeakKey    = "key-weak"
	codeWeakCA     = "issuer-key-weak"
	codeSignature  = "signature-weak"
	codePurpose    = "purpose-missing"
	codePurposeCA  = "issuer-purpose"
	codeNoAKI      = "aki-missing"
	codeIdentifier = "aki-differs"
	codeUnchecked  = "revocation-unchecked"

	// About files.
	codeFileForm    = "file-form"
	codeFileFault   = "file-fault"
	codeKeyOther    = "key-mismatch"
	codeKeyUnread   = "key-unreadable"
	codeKeyChecked  = "key-fits"
	codeKeyLocked   = "key-unchecked"
	codeLeafNotHead = "leaf-not-first"
)

// kind is what is true of every finding with one code.
type kind struct {
	severity root.Severity
	users    string // what users will see
	next     string // what to do
	source   string
}

// Codes lists every code, sorted.
func Codes() []string {
	var codes []string
	for c := range kinds {
		codes = append(codes, c)
	}
	slices.Sort(codes)
	return codes
}

// finding makes a finding of one code.
func finding(code, what string, args ...any) trust.ServiceFinding {
	k := kinds[code]
	return trust.ServiceFinding{Code: code, Severity: k.severity, What: fmt.Sprintf(what, args...), Users: k.users, Next: k.next, Source: k.source}
}

// sorted puts what refuses first and keeps the order otherwise.
func sorted(fs []trust.ServiceFinding) []trust.ServiceFinding {
	rank := map[root.Severity]int{root.Refuse: 0, root.Warn: 1, root.Note: 2}
	slices.SortStableFunc(fs, func(a, b trust.ServiceFinding) int { return rank[a.Severity] - rank[b.Severity] })
	return fs
}
