package policy

import (
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/elliptic"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"math/big"
)

// Kind is the kind of a signing key.
type Kind string

// The kinds, by their names in JWK (RFC 8037 2, RFC 7518 6.2.1.1).
const (
	Ed25519 Kind = "Ed25519"
	P256    Kind = "P-256"
)

// Algorithms by their names in JWS. RFC 9864 prefers "Ed25519" to RFC 8037's
// "EdDSA" and both are taken; "EdDSA" is written, which every library reads.
const (
	algEdDSA   = "EdDSA"
	algEd25519 = "Ed25519"
	algES256   = "ES256"
)

// signatureSize is that of Ed25519 (RFC 8032 5.1.6) and ES256 (RFC 7518 3.4).
const signatureSize = 64

// Key is a vetted public key that may sign. Keys are comparable; the zero
// value is no key and verifies nothing.
type Key struct {
	kind Kind
	pub  string // Ed25519: the 32 bytes; P-256: x and y, 32 bytes each
	id   string
}

// jwk has the members of RFC 7517 that a key may have here. Their order is
// that of the thumbprint (RFC 7638 3.2): by name.
type jwk struct {
	Crv Kind   `json:"crv"`
	Kty string `json:"kty"`
	X   string `json:"x"`
	Y   string `json:"y,omitempty"`
}

// NewKey vets a raw public key: 32 bytes for Ed25519, 64 bytes x||y for P-256.
// Keys of low order, in a non-canonical form or off the curve are refused:
// with some of them anybody can sign.
func NewKey(kind Kind, raw []byte) (Key, error) {
	var fault string
	switch kind {
	case Ed25519:
		fault = vetEd25519(raw)
	case P256:
		fault = vetP256(raw)
	default:
		fault = "a key of kind " + clip(string(kind)) + " cannot sign policies, Ed25519 and P-256 can"
	}
	if fault != "" {
		return Key{}, refuse(CodeBadKey, "", "%s", fault)
	}
	k := Key{kind: kind, pub: string(raw)}
	// The thumbprint is the hash of these members and nothing else, so it is
	// computed once, from the form that is also written.
	text, err := json.Marshal(k.jwk())
	if err != nil {
		return Key{}, refuse(CodeBadKey, "", "cannot write the key: %v", err)
	}
	sum := sha256.Sum256(text)
	k.id = base64.RawURLEncoding.EncodeToString(sum[:])
	return k, nil
}

func vetP256(raw []byte) string {
	if len(raw) != 64 {
		return "a P-256 key has two coordinates of 32 bytes"
	}
	if _, err := ecdsa.ParseUncompressedPublicKey(elliptic.P256(), append([]byte{4}, raw...)); err != nil {
		return "the point is not on the curve P-256"
	}
	return ""
}

// fieldEd25519 is the prime 2^255-19, and curveEd25519 the curve's d, both of
// RFC 8032 5.1. lowOrder lists the y of all eight points whose order divides
// the cofactor: 1, -1, 0 and the two of order 8 (RFC 8032 5.1, computed from
// the curve equation; a test recomputes them).
var (
	fieldEd25519 = new(big.Int).Sub(new(big.Int).Lsh(big.NewInt(1), 255), big.NewInt(19))
	curveEd25519 = number("37095705934669439343138083508754565189542113879843219016388785533085940283555")
	lowOrder     = []*big.Int{
		big.NewInt(0), big.NewInt(1), new(big.Int).Sub(fieldEd25519, big.NewInt(1)),
		number("2707385501144840649318225287225658788936804267575313519463743609750303402022"),
		number("55188659117513257062467267217118295137698188065244968500265048394206261417927"),
	}
)

func number(decimal string) *big.Int {
	n, _ := new(big.Int).SetString(decimal, 10)
	return n
}

// vetEd25519 does what ed25519.Verify does not: it refuses a y of the field's
// size or more, points of low order (measured: Go and both JOSE libraries take
// any message as signed by them), and a y without a point on the curve.
func vetEd25519(raw []byte) string {
	if len(raw) != ed25519.PublicKeySize {
		return "an Ed25519 key has 32 bytes"
	}
	le := make([]byte, len(raw))
	for i, b := range raw {
		le[len(raw)-1-i] = b
	}
	le[0] &= 0x7f // the sign of x
	y := new(big.Int).SetBytes(le)
	if y.Cmp(fieldEd25519) >= 0 {
		return "the Ed25519 key is not in canonical form"
	}
	for _, low := range lowOrder {
		if y.Cmp(low) == 0 {
			return "the Ed25519 key has low order: everybody can sign with it"
		}
	}
	// x^2 = (y^2-1) / (d y^2+1); the quotient is a square where the product is.
	yy := new(big.Int).Mul(y, y)
	u := new(big.Int).Sub(yy, big.NewInt(1))
	v := yy.Mul(yy, curveEd25519)
	v.Add(v, big.NewInt(1)).Mul(v, u).Mod(v, fieldEd25519)
	if big.Jacobi(v, fieldEd25519) != 1 {
		return "the Ed25519 key is not a point of the curve"
	}
	return ""
}

// ID returns the key's id, its RFC 7638 thumbprint by SHA-256 in base64url.
func (k Key) ID() string { return k.id }

// Kind returns what kind of key it is.
func (k Key) Kind() Kind { return k.kind }

// IsZero reports whether k is no key.
func (k Key) IsZero() bool { return k.id == "" }

// String returns kind and id, for people.
func (k Key) String() string { return string(k.kind) + " key " + k.id }

func (k Key) jwk() jwk {
	enc := base64.RawURLEncoding.EncodeToString
	if k.kind == P256 {
		return jwk{Crv: P256, Kty: "EC", X: enc([]byte(k.pub[:32])), Y: enc([]byte(k.pub[32:]))}
	}
	return jwk{Crv: k.kind, Kty: "OKP", X: enc([]byte(k.pub))}
}

func (j jwk) key() (Key, error) {
	want := jwk{Crv: Ed25519, Kty: "OKP"}
	if j.Crv == P256 {
		want = jwk{Crv: P256, Kty: "EC"}
	}
	if j.Crv != want.Crv || j.Kty != want.Kty || (j.Y != "") != (j.Crv == P256) {
		return Key{}, refuse(CodeBadKey, "", "kty %s, crv %s and their coordinates are neither an Ed25519 nor a P-256 key", clip(j.Kty), clip(string(j.Crv)))
	}
	x, errX := decodeBase64(base64.RawURLEncoding, j.X)
	y, errY := decodeBase64(base64.RawURLEncoding, j.Y)
	if errX != nil || errY != nil {
		return Key{}, refuse(CodeBadKey, "", "a coordinate is not canonical base64url")
	}
	if j.Crv == P256 && (len(x) != 32 || len(y) != 32) {
		return Key{}, refuse(CodeBadKey, "", "a coordinate of a P-256 key has 32 bytes (RFC 7518 6.2.1.2)")
	}
	return NewKey(j.Crv, append(x, y...))
}

// MarshalJSON writes the key as a JWK (RFC 7517) of kty, crv, x and, for
// P-256, y.
func (k Key) MarshalJSON() ([]byte, error) {
	if k.IsZero() {
		return nil, refuse(CodeBadKey, "", "no key to write")
	}
	return json.Marshal(k.jwk())
}

// UnmarshalJSON reads exactly what MarshalJSON writes, members in any order.
func (k *Key) UnmarshalJSON(data []byte) error {
	n, err := scan(data)
	if err != nil {
		return err
	}
	return k.fromNode(n, "key")
}

func (k *Key) fromNode(n node, path string) error {
	var j jwk
	if err := decodeNode(n, path, &j); err != nil {
		return err
	}
	got, err := j.key()
	if e, ok := err.(*Error); ok {
		e.Subject = path
		return e
	}
	*k = got
	return nil
}

// maxKeyFile bounds a key file, public or private.
const maxKeyFile = 16 << 10

// ParseKey reads a public key: a JWK, or PEM of SubjectPublicKeyInfo as
// 'openssl pkey -pubout' writes it.
func ParseKey(data []byte) (Key, error) {
	if len(data) > maxKeyFile {
		return Key{}, refuse(CodeTooLarge, "key", "more than %d bytes", maxKeyFile)
	}
	block, _ := pem.Decode(data)
	if block == nil {
		var k Key
		err := k.UnmarshalJSON(data)
		return k, err
	}
	if block.Type != "PUBLIC KEY" {
		return Key{}, refuse(CodeBadKey, "key", "a PEM block %s is not a public key", clip(block.Type))
	}
	pub, err := x509.ParsePKIXPublicKey(block.Bytes)
	if err != nil {
		return Key{}, refuse(CodeBadKey, "key", "not a public key: %v", err)
	}
	return keyOf(pub)
}

func keyOf(pub any) (Key, error) {
	switch pub := pub.(type) {
	case ed25519.PublicKey:
		return NewKey(Ed25519, pub)
	case *ecdsa.PublicKey:
		if pub.Curve == elliptic.P256() {
			raw, err := pub.Bytes()
			if err != nil {
				return Key{}, refuse(CodeBadKey, "", "cannot read the key: %v", err)
			}
			return NewKey(P256, raw[1:])
		}
	}
	return Key{}, refuse(CodeBadKey, "", "a key of type %T cannot sign policies, Ed25519 and P-256 can", pub)
}

// PEM returns the key as SubjectPublicKeyInfo, for other tools.
func (k Key) PEM() ([]byte, error) {
	pub, err := k.public()
	if err != nil {
		return nil, err
	}
	der, err := x509.MarshalPKIXPublicKey(pub)
	if err != nil {
		return nil, refuse(CodeBadKey, "", "cannot write the key: %v", err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der}), nil
}

func (k Key) public() (any, error) {
	switch k.kind {
	case Ed25519:
		return ed25519.PublicKey(k.pub), nil
	case P256:
		return ecdsa.ParseUncompressedPublicKey(elliptic.P256(), append([]byte{4}, k.pub...))
	}
	return nil, refuse(CodeBadKey, "", "no key")
}

// algs returns the algorithm names that fit the key. The key decides, never
// the header (RFC 8725 3.1).
func (k Key) algs() []string {
	switch k.kind {
	case Ed25519:
		return []string{algEdDSA, algEd25519}
	case P256:
		return []string{algES256}
	}
	return nil
}

// verify reports whether sig is the key's signature of message: 64 bytes, for
// ES256 r and s (RFC 7518 3.4). (r, n-s) is as good as (r, s), so signature
// bytes identify nothing.
func (k Key) verify(message, sig []byte) bool {
	pub, err := k.public()
	if err != nil || len(sig) != signatureSize {
		return false
	}
	switch pub := pub.(type) {
	case ed25519.PublicKey:
		return ed25519.Verify(pub, message, sig)
	case *ecdsa.PublicKey:
		sum := sha256.Sum256(message)
		return ecdsa.Verify(pub, sum[:], new(big.Int).SetBytes(sig[:32]), new(big.Int).SetBytes(sig[32:]))
	}
	return false
}
