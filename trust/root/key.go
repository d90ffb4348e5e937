package root

import (
	"encoding/asn1"
	"fmt"
	"math/big"

	"golang.org/x/crypto/cryptobyte"
	der "golang.org/x/crypto/cryptobyte/asn1"
)

// keyFacts is what a SubjectPublicKeyInfo says (RFC 5280 4.1.2.7).
type keyFacts struct {
	algorithm string // dotted
	curve     string // dotted, of EC keys; empty where it is not named
	n, e      *big.Int
	noNull    bool // an RSA key whose parameters are not NULL (RFC 3279 2.3.1)
}

// Key algorithms and curves (RFC 3279, 5480, 8410).
const (
	keyRSA     = "1.2.840.113549.1.1.1"
	keyRSAPSS  = "1.2.840.113549.1.1.10"
	keyEC      = "1.2.840.10045.2.1"
	keyEd25519 = "1.3.101.112"
	curveP224  = "1.3.132.0.33"
)

var keyNames = map[string]string{
	keyRSA: "RSA", keyRSAPSS: "RSASSA-PSS", keyEC: "EC", keyEd25519: "Ed25519", "1.3.101.113": "Ed448", "1.2.840.10040.4.1": "DSA",
}

var curveNames = map[string]string{
	"1.2.840.10045.3.1.7": "P-256", "1.3.132.0.34": "P-384", "1.3.132.0.35": "P-521", curveP224: "P-224",
	"1.3.132.0.10": "secp256k1", "1.3.36.3.3.2.8.1.1.7": "brainpoolP256r1", "1.3.36.3.3.2.8.1.1.11": "brainpoolP384r1",
	"1.3.36.3.3.2.8.1.1.13": "brainpoolP512r1", "1.2.840.10045.3.1.1": "P-192",
}

func readKey(spki []byte) keyFacts {
	var k keyFacts
	s := cryptobyte.String(spki)
	var alg, bits, params cryptobyte.String
	var id asn1.ObjectIdentifier
	var tag der.Tag
	if !s.ReadASN1(&s, der.SEQUENCE) || !s.ReadASN1(&alg, der.SEQUENCE) || !s.ReadASN1(&bits, der.BIT_STRING) ||
		!alg.ReadASN1ObjectIdentifier(&id) {
		return k
	}
	k.algorithm = id.String()
	there := alg.ReadAnyASN1Element(&params, &tag)
	switch k.algorithm {
	case keyEC:
		var curve asn1.ObjectIdentifier
		if there && params.ReadASN1ObjectIdentifier(&curve) {
			k.curve = curve.String()
		}
	case keyRSA:
		k.noNull = !there || tag != der.NULL
		k.readRSA(bits)
	case keyRSAPSS:
		k.readRSA(bits)
	}
	return k
}

// readRSA reads RSAPublicKey (RFC 8017 A.1.1).
func (k *keyFacts) readRSA(bits cryptobyte.String) {
	var n, e cryptobyte.String
	if !bits.Skip(1) || !bits.ReadASN1(&bits, der.SEQUENCE) || !bits.ReadASN1(&n, der.INTEGER) || !bits.ReadASN1(&e, der.INTEGER) {
		return
	}
	k.n, k.e = signed(n), signed(e)
}

// words names the key for people.
func (k keyFacts) words() string {
	name := keyNames[k.algorithm]
	switch {
	case k.n != nil:
		return fmt.Sprintf("%s with %d bits", name, k.n.BitLen())
	case k.algorithm == keyEC && curveNames[k.curve] != "":
		return curveNames[k.curve]
	case k.algorithm == keyEC && k.curve != "":
		return "the curve " + k.curve
	case k.algorithm == keyEC:
		return "a curve that is not named"
	case name != "":
		return name
	case k.algorithm != "":
		return "a key of the algorithm " + k.algorithm
	}
	return "a key that cannot be read"
}

// Key names the public key's kind and size for people, such as "RSA with 4096
// bits" or "P-256".
func (c *Certificate) Key() string { return readKey(c.SPKI).words() }
