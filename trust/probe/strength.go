package probe

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rsa"
	"crypto/x509"
	"slices"
	"strconv"

	"anchorhold.test/anchorhold/trust/root"
)

// minRSA is the floor of NIST SP 800-131A r2 section 3, in bits.
const minRSA = 2048

// strength tells of keys, signatures and purposes that programs refuse. A
// root's own signature proves nothing and is passed over.
func (j *judging) strength() {
	last := len(j.path)
	if j.rooted && last > 1 {
		last--
	}
	for i, c := range j.path[:last] {
		key, purpose, what := codeWeakCA, codePurposeCA, "the issuing CA "+shownX(c)
		if i == 0 {
			key, purpose, what = codeWeakKey, codePurpose, "the service's certificate"
		}
		if why := weakKey(c); why != "" {
			j.say(key, "%s has %s", what, why)
		}
		if weakSignature(c) {
			j.say(codeSignature, "%s is signed with %s", what, c.SignatureAlgorithm)
		}
		if len(c.ExtKeyUsage)+len(c.UnknownExtKeyUsage) > 0 && !slices.Contains(c.ExtKeyUsage, x509.ExtKeyUsageServerAuth) && !slices.Contains(c.ExtKeyUsage, x509.ExtKeyUsageAny) {
			j.say(purpose, "%s is not for servers: its extended key usage does not name serverAuth", what)
		}
	}
	leaf := j.path[0]
	if len(leaf.AuthorityKeyId) == 0 && len(j.path) > 1 {
		j.say(codeNoAKI, "the service's certificate has no authority key identifier")
	}
	if leaf.IsCA {
		j.say(codeCALeaf, "the service's certificate is a CA's")
	}
}

func weakKey(c *x509.Certificate) string {
	switch k := c.PublicKey.(type) {
	case *rsa.PublicKey:
		if n := k.N.BitLen(); n < minRSA {
			return "an RSA key of " + itoa(n) + " bits"
		}
	case *ecdsa.PublicKey:
		if k.Curve == elliptic.P224() {
			return "a key on the curve P-224"
		}
	}
	return ""
}

func weakSignature(c *x509.Certificate) bool {
	switch c.SignatureAlgorithm {
	case x509.MD2WithRSA, x509.MD5WithRSA, x509.SHA1WithRSA, x509.DSAWithSHA1, x509.ECDSAWithSHA1:
		return true
	}
	return false
}

func itoa(n int) string { return strconv.Itoa(n) }

// unexplained says what crypto/x509 says of a chain that it refuses for a
// reason that no finding from place on told.
func (j *judging) unexplained(from int) {
	for _, f := range j.end.Findings[from:] {
		if f.Severity == root.Refuse {
			return
		}
	}
	why := "it gave no reason"
	if j.err != nil {
		why = root.Safe(j.err.Error(), maxText)
	}
	j.say(codeRefused, "crypto/x509 refuses the chain: %s", why)
}
