package probe_test

import "slices"

// otherwise is a disagreement with a reason.
type otherwise struct {
	who    []string
	family string
	chains []string // empty: any
	set    func([]string) bool
	ours   bool
	why    string
}

func (u otherwise) fits(who, family, chain string, set []string, ours bool) bool {
	return slices.Contains(u.who, who) && u.family == family && u.ours == ours && u.set(set) &&
		(len(u.chains) == 0 || slices.Contains(u.chains, chain))
}

func holds(root string) func([]string) bool {
	return func(set []string) bool { return slices.Contains(set, root) }
}

func exactly(roots ...string) func([]string) bool {
	return func(set []string) bool { return slices.Equal(set, roots) }
}

var (
	opensslBoth = []string{"openssl", "openssl strict"}
	others      = []string{"openssl", "openssl strict", "gnutls"}
	keyless     = []string{"of a, no key named", "of a, no key named by both", "direct, no key named"}
)

// unlike are all disagreements, by what makes them; Go is asked about all
// anchors, the others about those that are not doubted. In each but the strict ones
// RFC 5280 6.1 is on our side, or leaves it open: building a path is not its
// subject. What users see is told by findings.
var unlike = []otherwise{
	{[]string{"gnutls"}, "serials", nil, func(set []string) bool { return len(set) == 1 }, false,
		"GnuTLS goes by key identifiers and passes the issuer's serial number over; OpenSSL goes by both, so such a root is doubted"},
	{[]string{"gnutls"}, "cross-signed", []string{"new service, cross and stale"}, exactly("before"), true,
		"GnuTLS follows the first certificate with the issuer's name that was sent, and comes back to no other"},
	{[]string{"openssl"}, "twins", keyless, exactly("b", "a"), true, "without key identifiers OpenSSL takes the first root of the issuer's name, and comes back to no other"},
	{[]string{"gnutls"}, "twins", keyless, exactly("a", "b"), true, "without key identifiers GnuTLS takes the last root of the issuer's name, and comes back to no other"},
	{[]string{"openssl strict"}, "twins", keyless, holds("a"), true, "an authority key identifier is missing, which RFC 5280 4.2.1.1 asks of an issuer, not of a verifier"},
	{others, "limits", []string{"common name outside"}, holds("names"), true,
		"the others hold a common name that looks like a host's to the root's name constraints where there is no SAN; for us it is no name at all (RFC 9525 2)"},
	{opensslBoth, "purposes", []string{"authority as leaf"}, holds("root"), true,
		"OpenSSL asks the leaf's key usage for a server's purpose; Go leaves that to the handshake (RFC 8446 4.4.2.2)"},
	{[]string{"gnutls"}, "one root", []string{"self-signed"}, holds("self"), true,
		"GnuTLS takes no certificate that is no CA's as an issuer, not even as its own (RFC 5280 4.2.1.9); Go and OpenSSL take what is trusted itself"},
}
