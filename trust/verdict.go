package trust

import (
	"context"
	"slices"
	"time"

	"anchorhold.test/anchorhold/trust/root"
)

// Target is a TLS endpoint that is to be judged.
type Target struct {
	Service  string `json:"service,omitempty"`  // its name in the policy, for people
	Address  string `json:"address"`            // host:port to connect to
	Identity string `json:"identity,omitempty"` // the name that must verify; empty: the address's host
	StartTLS string `json:"starttls,omitempty"` // "", "smtp", "ldap"
	// Listener is a port of this host of which nobody said what it serves: no
	// name is asked of it, and it may well speak something else than TLS.
	Listener bool `json:"listener,omitempty"`
	// Process is the program that listens, by its name as far as it could be
	// seen, for people. It may change while the listener does not.
	Process string `json:"process,omitempty"`
}

// Answer is what became of asking.
type Answer string

// The answers. Only Verifies and Fails say anything about certificates.
const (
	Verifies Answer = "verifies" // name, dates and chain, with a root of this host's store
	Fails    Answer = "fails"    // it speaks TLS, and the findings say what is wrong
	Silent   Answer = "silent"   // not reached, or no answer within the limit: nothing is known
	NotTLS   Answer = "not tls"  // something else answers there
)

// Verdict is what one target served, and how this host judges it.
type Verdict struct {
	Target    Target           `json:"target"`
	At        time.Time        `json:"at"`
	Answer    Answer           `json:"answer"` // the worst of its endpoints
	Endpoints []Endpoint       `json:"endpoints"`
	Findings  []ServiceFinding `json:"findings,omitempty"` // about the target as a whole: names, DNS
}

// Endpoint is one address of a target: a name may have several, and they may
// serve different certificates.
type Endpoint struct {
	Remote   string              `json:"remote"` // address and port
	Answer   Answer              `json:"answer"`
	Version  string              `json:"version,omitempty"` // of TLS
	Leaf     *ServedCertificate  `json:"leaf,omitempty"`
	Sent     []ServedCertificate `json:"sent,omitempty"`    // as sent, leaf first
	Anchors  []root.Fingerprint  `json:"anchors"`           // the roots each of which alone carries its chain, see Replaces
	Doubted  []root.Fingerprint  `json:"doubted,omitempty"` // those anchors that only some programs find
	Path     []Link              `json:"path,omitempty"`    // the chain as it was judged: leaf first, up to its root where that is known
	Findings []ServiceFinding    `json:"findings,omitempty"`
}

// Link is one certificate of the chain by which a service was judged.
type Link struct {
	ServedCertificate
	Sent bool `json:"sent"` // by the service
	In   bool `json:"in"`   // a root of this host's store
	More bool `json:"more"` // a root that is known and that the store does not hold
}

// ServedCertificate is a certificate as a service sent it, for people: its
// names are made safe to show.
type ServedCertificate struct {
	SHA256    root.Fingerprint `json:"sha256"`
	Subject   string           `json:"subject"`
	Issuer    string           `json:"issuer"`
	Serial    string           `json:"serial"` // hexadecimal
	Names     []string         `json:"names,omitempty"`
	NotBefore time.Time        `json:"not_before"`
	NotAfter  time.Time        `json:"not_after"`
}

// ServiceFinding is one thing to know about what a service serves.
type ServiceFinding struct {
	Code     string        `json:"code"` // stable, lower case with dashes
	Severity root.Severity `json:"severity"`
	What     string        `json:"what"`
	Users    string        `json:"users,omitempty"`  // what users will see
	Next     string        `json:"next,omitempty"`   // what to do
	Source   string        `json:"source,omitempty"` // "RFC 9525 6.3", "common practice"
}

// Replaces reports whether root a carries a chain for each program for which
// root fp does. Anchors are the roots each of which alone carries it, by its
// certificates, dates and limits, whatever name it was asked for: a client that
// asks by another name than ours must not break either. Of these, programs that
// go by key identifiers do not find the doubted ones (RFC 5280 4.2.1.1).
func Replaces(a, fp root.Fingerprint, anchors, doubted []root.Fingerprint) bool {
	return a != fp && slices.Contains(anchors, a) && (!slices.Contains(doubted, a) || slices.Contains(doubted, fp))
}

// NotListed begins the blind spot of a host whose listeners could not be listed
// at all, so that nothing is known of them: none is not the same.
const NotListed = "this host's listeners could not be listed"

// Prober asks services what they serve, with the rights of an account that has
// none.
type Prober interface {
	// Probe judges each target, in their order, by a store that holds the
	// roots in; more are roots that it does not hold, yet that may be anchors.
	// It sends nothing beyond a handshake. There is one verdict for each
	// target; the error says that nobody could be asked.
	Probe(ctx context.Context, targets []Target, in, more []Root) ([]Verdict, error)
	// Listeners lists this host's listening ports that may speak TLS, by
	// local addresses only; blind says what could not be looked at. Where
	// nothing could be listed at all, one of these begins with [NotListed].
	Listeners(ctx context.Context) (targets []Target, blind []string)
}
