package root

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/ed25519"
	_ "crypto/md5" // named in signature algorithms of old roots
	"crypto/rsa"
	_ "crypto/sha1"
	_ "crypto/sha256"
	_ "crypto/sha512"
	"crypto/x509"
	"encoding/asn1"
	"sync"

	"golang.org/x/crypto/cryptobyte"
	der "golang.org/x/crypto/cryptobyte/asn1"
)

// Extensions of RFC 5280 4.2 by their dotted names.
const (
	extSubjectKeyID     = "2.5.29.14"
	extKeyUsage         = "2.5.29.15"
	extSubjectAltName   = "2.5.29.17"
	extBasicConstraints = "2.5.29.19"
	extNameConstraints  = "2.5.29.30"
	extAuthorityKeyID   = "2.5.29.35"
	extExtKeyUsage      = "2.5.29.37"
)

func (c *Certificate) extension(id string) (Extension, bool) {
	for _, e := range c.Extensions {
		if e.dotted == id {
			return e, true
		}
	}
	return Extension{}, false
}

// SelfIssued reports that subject and issuer are the same name (RFC 5280 3.2).
func (c *Certificate) SelfIssued() bool { return bytes.Equal(c.Subject, c.Issuer) }

// basic is what basicConstraints says (RFC 5280 4.2.1.9).
type basic struct {
	there, ca bool
	critical  bool
	pathLen   int // -1: no limit
	bad       bool
}

func (c *Certificate) basic() basic {
	e, ok := c.extension(extBasicConstraints)
	b := basic{there: ok, critical: e.Critical, pathLen: -1}
	if !ok {
		return b
	}
	s := cryptobyte.String(e.Value)
	var flag, n cryptobyte.String
	var hasFlag, hasLen bool
	if !s.ReadASN1(&s, der.SEQUENCE) || !s.ReadOptionalASN1(&flag, &hasFlag, der.BOOLEAN) ||
		!s.ReadOptionalASN1(&n, &hasLen, der.INTEGER) {
		b.bad = true
		return b
	}
	for _, v := range flag {
		b.ca = b.ca || v != 0
	}
	if hasLen && len(n) > 0 && len(n) <= 4 {
		b.pathLen = int(signed(n).Int64())
	}
	return b
}

// keyUsage returns the bits of keyUsage, bit 0 first in the string (RFC 5280
// 4.2.1.3).
func (c *Certificate) keyUsage() (bits asn1.BitString, there bool) {
	e, ok := c.extension(extKeyUsage)
	if !ok {
		return bits, false
	}
	s := cryptobyte.String(e.Value)
	var v cryptobyte.String
	if s.ReadASN1(&v, der.BIT_STRING) && len(v) > 1 {
		bits = asn1.BitString{Bytes: v[1:], BitLength: 8 * (len(v) - 1)}
	}
	return bits, true
}

const bitKeyCertSign = 5

// Role tells what the certificate can be in a chain.
func (c *Certificate) Role() Role {
	ca := c.basic().ca
	if c.Version < 3 && len(c.Extensions) == 0 {
		ca = c.SelfIssued() // basicConstraints came with version 3
	}
	switch {
	case !ca:
		return RoleServer
	case !c.SelfIssued():
		return RoleIssuing
	case c.selfSignature() == signatureBroken:
		return RoleCrossSigned
	}
	return RoleRoot
}

// signatureState says what became of checking a self-signature.
type signatureState int

const (
	signatureUnknown signatureState = iota // algorithm or size that is not checked
	signatureGood
	signatureBroken // not by the certificate's own key
)

// maxCheckedRSA bounds the modulus, in bits, with which signatures are
// checked, so that no key costs more than milliseconds.
const maxCheckedRSA = 16384

// signatureAlgorithms are those that can be checked: RFC 4055, 5758, 8410.
// MD5 is left out: nobody should be told that such a signature is good.
var signatureAlgorithms = map[string]struct {
	kind byte // 'r' RSA PKCS#1 v1.5, 'e' ECDSA, 'd' Ed25519
	hash crypto.Hash
}{
	"1.2.840.113549.1.1.5":  {'r', crypto.SHA1},
	"1.3.14.3.2.29":         {'r', crypto.SHA1},
	"1.2.840.113549.1.1.14": {'r', crypto.SHA224},
	"1.2.840.113549.1.1.11": {'r', crypto.SHA256},
	"1.2.840.113549.1.1.12": {'r', crypto.SHA384},
	"1.2.840.113549.1.1.13": {'r', crypto.SHA512},
	"1.2.840.10045.4.1":     {'e', crypto.SHA1},
	"1.2.840.10045.4.3.1":   {'e', crypto.SHA224},
	"1.2.840.10045.4.3.2":   {'e', crypto.SHA256},
	"1.2.840.10045.4.3.3":   {'e', crypto.SHA384},
	"1.2.840.10045.4.3.4":   {'e', crypto.SHA512},
	"1.3.101.112":           {'d', 0},
}

// selfSignature checks the signature with the certificate's own key. It works
// on the walk alone, so that it answers for certificates which crypto/x509
// refuses, too.
func (c *Certificate) selfSignature() signatureState {
	if c.self == nil {
		return c.signedBy(c.SPKI)
	}
	c.self.once.Do(func() { c.self.state = c.signedBy(c.SPKI) })
	return c.self.state
}

// memo keeps the state: it is asked for several times, and large keys are
// slow.
type memo struct {
	once  sync.Once
	state signatureState
}

// signedBy checks the signature with a key given as SubjectPublicKeyInfo.
func (c *Certificate) signedBy(spki []byte) signatureState {
	if len(spki) > maxCheckedRSA/8+256 || c.odd.algorithmsDiffer {
		return signatureUnknown
	}
	key, err := x509.ParsePKIXPublicKey(spki)
	if err != nil {
		return signatureUnknown
	}
	alg, known := signatureAlgorithms[c.SignatureAlgorithm.String()]
	if !known {
		return c.signedByPSS(key)
	}
	digest := c.tbs
	if alg.hash != 0 {
		h := alg.hash.New()
		h.Write(c.tbs)
		digest = h.Sum(nil)
	}
	good := false
	switch k := key.(type) {
	case *rsa.PublicKey:
		if alg.kind != 'r' {
			return signatureBroken // an RSA key makes no such signature
		}
		if n := k.N.BitLen(); n < 1024 || n > maxCheckedRSA || k.E < 3 || k.E%2 == 0 {
			return signatureUnknown // crypto/rsa refuses to look
		}
		good = rsa.VerifyPKCS1v15(k, alg.hash, digest, c.signature) == nil
	case *ecdsa.PublicKey:
		good = alg.kind == 'e' && ecdsa.VerifyASN1(k, digest, c.signature)
	case ed25519.PublicKey:
		good = alg.kind == 'd' && ed25519.Verify(k, digest, c.signature)
	default:
		return signatureUnknown
	}
	if good {
		return signatureGood
	}
	return signatureBroken
}

// signedByPSS checks RSASSA-PSS with the parameters as crypto/x509 read them.
func (c *Certificate) signedByPSS(key any) signatureState {
	hashes := map[x509.SignatureAlgorithm]crypto.Hash{
		x509.SHA256WithRSAPSS: crypto.SHA256, x509.SHA384WithRSAPSS: crypto.SHA384, x509.SHA512WithRSAPSS: crypto.SHA512,
	}
	k, ok := key.(*rsa.PublicKey)
	if !ok || c.X509 == nil || k.N.BitLen() < 1024 || k.N.BitLen() > maxCheckedRSA {
		return signatureUnknown
	}
	hash, ok := hashes[c.X509.SignatureAlgorithm]
	if !ok {
		return signatureUnknown
	}
	h := hash.New()
	h.Write(c.tbs)
	opts := &rsa.PSSOptions{SaltLength: rsa.PSSSaltLengthEqualsHash, Hash: hash}
	if rsa.VerifyPSS(k, hash, h.Sum(nil), c.signature, opts) != nil {
		return signatureBroken
	}
	return signatureGood
}
