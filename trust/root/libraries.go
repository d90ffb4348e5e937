package root

import der "golang.org/x/crypto/cryptobyte/asn1"

// library is what was measured of one library. The rules hold for a root that
// is the only anchor and a server's certificate below it.
type library struct {
	name            string
	refuses         []why
	ignoresAll      bool // limits on the root are not looked at
	ignoresEKU      bool
	ignoresCritical bool // unknown critical extensions pass
}

// why is one reason to refuse a root.
type why struct {
	when func(facts) bool
	text string
}

func tag(t der.Tag) func(facts) bool { return func(f facts) bool { return f.text[t] } }

func critical(id string) func(facts) bool { return func(f facts) bool { return f.critical[id] } }

// Reasons that several libraries share.
var (
	notCA       = why{func(f facts) bool { return !f.ca() }, "it is not marked as a CA, or keyUsage does not allow it to sign certificates"}
	trailing    = why{func(f facts) bool { return f.Trailing > 0 }, "bytes follow the certificate in its file; placed alone it is read"}
	badModulus  = why{func(f facts) bool { return f.key.n != nil && f.key.n.Sign() <= 0 }, "its RSA modulus is not positive"}
	unknownCrit = why{func(f facts) bool { return f.unknown }, "it has an unknown critical extension"}
	twoAlgs     = why{func(f facts) bool { return f.odd.algorithmsDiffer }, "inner and outer signature algorithm differ"}
	twice       = why{func(f facts) bool { return f.odd.duplicate }, "an extension stands twice"}
	oldExts     = why{facts.v1Exts, "it has extensions and claims a version without"}
	fraction    = why{func(f facts) bool { return f.form.fraction }, "a date has a fraction of a second"}
	offset      = why{func(f facts) bool { return f.form.offset }, "a date has an offset in the place of Z"}
	noSeconds   = why{func(f facts) bool { return f.form.noSeconds }, "a date has no seconds"}
	reversed    = why{func(f facts) bool { return f.form.reversed }, "it ends before it begins"}
	padded      = why{func(f facts) bool { return f.odd.longSerial }, "the serial number is not written as DER asks"}
	negative    = why{func(f facts) bool { return f.Serial.Sign() < 0 }, "the serial number is negative"}
	brokenUTF8  = why{func(f facts) bool { return f.badUTF8 }, "its name is no valid UTF-8"}
	noName      = why{func(f facts) bool { return len(readName(f.Subject)) == 0 }, "its subject is empty"}
	badMask     = why{func(f facts) bool {
		return f.limits.has(func(t subtree) bool { return t.form == formIP && !t.net.IsValid() })
	}, "an address in its name constraints has no mask of leading bits"}
)

// openSSL and strict are the rules of OpenSSL; the second comes on top.
var (
	openSSL = []why{
		{func(f facts) bool { return !f.openSSLCA() }, notCA.text},
		unknownCrit, twice, fraction, offset, noSeconds, reversed, padded, brokenUTF8, badModulus,
		{critical(extAuthorityKeyID), "its authority key identifier is critical"},
		{tag(tagVisible), "its name has a VisibleString"},
	}
	strict = []why{
		{func(f facts) bool { return !f.b.ca }, "basicConstraints do not say that it is a CA"},
		{func(f facts) bool { return !f.b.critical }, "basicConstraints are not critical"},
		{func(f facts) bool { return f.noSKI }, "it has no subject key identifier"},
		twoAlgs, noName, oldExts,
	}
)

// openSSLCA follows check_ca of OpenSSL's v3_purp.c.
func (f facts) openSSLCA() bool {
	switch {
	case !f.sign:
		return false
	case f.b.there:
		return f.b.ca
	case f.Version == 1 && f.SelfIssued():
		return true
	}
	return f.signStated
}

// unknownToGnuTLS: unlike the others it takes a critical authority information
// access (measured).
func (f facts) unknownToGnuTLS() bool {
	for _, id := range f.unknownCritical() {
		if id != "1.3.6.1.5.5.7.1.1" {
			return true
		}
	}
	return false
}

var libraries = []library{
	{name: "Go", refuses: []why{trailing, notCA, unknownCrit, reversed,
		{func(f facts) bool {
			return f.limits.critical && f.limits.has(func(t subtree) bool { return !goForms[t.form] })
		}, "its critical name constraints limit a form of name that Go does not know"}}},
	{name: "OpenSSL", refuses: openSSL},
	{name: "GnuTLS", ignoresEKU: true, refuses: []why{trailing, badModulus, twoAlgs, twice, oldExts, fraction, offset, badMask, noName, reversed,
		{facts.unknownToGnuTLS, unknownCrit.text},
		{func(f facts) bool { return f.b.there && !f.b.ca || !f.sign }, notCA.text}}},
	{name: "NSS", ignoresEKU: true, ignoresCritical: true, refuses: []why{trailing, badModulus, fraction, reversed,
		{func(f facts) bool { return f.b.there && !f.b.ca || !f.sign }, notCA.text},
		{func(f facts) bool { return f.key.algorithm == keyEd25519 }, "it does not know Ed25519"},
		{func(f facts) bool { return f.key.curve == curveP224 }, "it does not know the curve P-224"}}},
	{name: "Java", ignoresAll: true, refuses: []why{trailing, notCA, badModulus, twoAlgs, twice, oldExts, noName,
		{func(f facts) bool { return f.Version == 2 || f.Version > 3 }, "it claims a version that Java does not read"},
		{func(f facts) bool { return f.key.curve == curveP224 }, "it does not know the curve P-224"}}},
	{name: "Python (strict)", refuses: append(openSSL[:len(openSSL):len(openSSL)], strict...)},
	{name: "pyca/cryptography", refuses: []why{trailing, notCA, badModulus, unknownCrit, twoAlgs, twice, fraction, offset, noSeconds, reversed,
		padded, negative, brokenUTF8, noName, badMask,
		{func(f facts) bool { return f.Version != 3 }, "it is not of version 3"},
		{func(f facts) bool { return f.odd.statedV1 || f.odd.statedFalse || f.odd.looseTrue }, "a default or a BOOLEAN is not written as DER asks"},
		{func(f facts) bool { return f.form.early }, "a date before 2050 is a GeneralizedTime"},
		{func(f facts) bool { return !f.b.critical }, "basicConstraints are not critical"},
		{func(f facts) bool { return f.b.pathLen >= 0 && !f.b.ca }, "it has a path length and is no CA"},
		{func(f facts) bool { return f.badPrint }, "a PrintableString in its name has other characters"},
		{tag(der.T61String), "its name has a T61String"},
		{func(f facts) bool { return f.limits.there && f.limits.empty() }, "its name constraints are empty"},
		{func(f facts) bool {
			return f.limits.has(func(t subtree) bool { return t.form == formDNS && len(t.text) > 0 && t.text[0] == '.' })
		}, "a DNS name in its name constraints has a leading dot"},
		{critical(extSubjectKeyID), "its subject key identifier is critical"},
		{critical(extAuthorityKeyID), "its authority key identifier is critical"},
		{func(f facts) bool { return f.key.noNull }, "its RSA key has no NULL parameters"},
		{func(f facts) bool { return f.key.n != nil && f.key.n.BitLen() < minRSA }, "its RSA key is shorter than 2048 bits"},
		{func(f facts) bool {
			return f.key.algorithm == keyEd25519 || f.key.curve == curveP224
		}, "it does not allow such a key"},
	}},
}
