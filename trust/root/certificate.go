package root

import (
	"bytes"
	"crypto/x509"
	"encoding/asn1"
	"encoding/pem"
	"fmt"
	"math/big"
	"time"

	"golang.org/x/crypto/cryptobyte"
	der "golang.org/x/crypto/cryptobyte/asn1"
)

// MaxCertificate bounds the DER of one certificate. The largest signatures in
// use (SLH-DSA, FIPS 205) take 50 kB.
const MaxCertificate = 256 << 10

// maxExtensions bounds the extensions that are kept of one certificate.
const maxExtensions = 256

// Certificate is one certificate by an outer DER walk, so that those which
// crypto/x509 refuses can still be listed, named, reported and taken out.
type Certificate struct {
	Raw                 []byte   // the certificate alone, without Trailing
	Trailing            int      // bytes that followed it in its block or file
	Version             int      // 1, 2, 3, or whatever the field claims plus one
	Serial              *big.Int // may be zero or negative
	Issuer, Subject     []byte   // DER of the Name
	NotBefore, NotAfter time.Time
	DatesErr            error  // why a date is the zero time, nil otherwise
	SPKI                []byte // DER of SubjectPublicKeyInfo
	SignatureAlgorithm  asn1.ObjectIdentifier
	Extensions          []Extension
	ExtensionsErr       error // why Extensions may be incomplete, nil otherwise

	X509    *x509.Certificate // nil where crypto/x509 refuses the certificate
	X509Err error             // why it refuses, nil otherwise

	tbs, signature []byte // what is signed, and the signature's bits
	dates          [2]rawTime
	odd            oddities
	self           *memo // what became of checking the self-signature
}

// oddities are departures from DER and RFC 5280 that do not stop the walk and
// that some libraries refuse.
type oddities struct {
	statedV1         bool // version 1 written out; DER leaves a default away (X.690 11.5)
	longSerial       bool // a serial number with needless first octets (X.690 8.3.2)
	algorithmsDiffer bool // inner and outer signature algorithm (RFC 5280 4.1.1.2)
	statedFalse      bool // critical FALSE written out
	looseTrue        bool // a BOOLEAN that is neither 00 nor FF (X.690 11.1)
	duplicate        bool // an extension twice (RFC 5280 4.2)
}

// Extension is one extension, undecoded.
type Extension struct {
	ID       asn1.ObjectIdentifier
	Critical bool
	Value    []byte
	dotted   string // ID in digits
}

// Role says what a certificate can be in a chain.
type Role string

// The roles.
const (
	RoleRoot        Role = "root"         // self-issued CA certificate, self-signature good or not checkable
	RoleCrossSigned Role = "cross-signed" // issuer and subject equal, the signature is not by its own key
	RoleIssuing     Role = "issuing CA"   // CA certificate of another issuer
	RoleServer      Role = "end entity"   // not a CA
)

// Parse walks the outer DER of one certificate (RFC 5280 4.1). It fails only
// where not even that frame can be followed, or where der is longer than
// MaxCertificate. Bytes after the certificate are counted in Trailing and are
// no part of it.
func Parse(der []byte) (*Certificate, error) {
	one, rest, err := frame(der)
	if err != nil {
		return nil, fmt.Errorf("cannot read the certificate: %w", err)
	}
	c := &Certificate{Raw: one, Trailing: len(rest), self: &memo{}}
	if err := c.walk(); err != nil {
		return nil, fmt.Errorf("cannot read the certificate: %w", err)
	}
	c.X509, c.X509Err = x509.ParseCertificate(c.Raw)
	return c, nil
}

// frame splits off the first DER SEQUENCE and checks that it is built as a
// certificate is, field by field and without a look into them (RFC 5280 4.1).
func frame(data []byte) (one, rest []byte, err error) {
	s := cryptobyte.String(data)
	var e, in, tbs cryptobyte.String
	if !s.ReadASN1Element(&e, der.SEQUENCE) {
		return nil, nil, fmt.Errorf("this is no complete DER SEQUENCE")
	}
	if len(e) > MaxCertificate {
		return nil, nil, fmt.Errorf("it has %d bytes; %d are allowed", len(e), MaxCertificate)
	}
	in = e
	if !in.ReadASN1(&in, der.SEQUENCE) || !in.ReadASN1(&tbs, der.SEQUENCE) ||
		!in.SkipASN1(der.SEQUENCE) || !in.SkipASN1(der.BIT_STRING) ||
		!tbs.SkipOptionalASN1(der.Tag(0).Constructed().ContextSpecific()) || !tbs.SkipASN1(der.INTEGER) ||
		!tbs.SkipASN1(der.SEQUENCE) || !tbs.SkipASN1(der.SEQUENCE) || !tbs.SkipASN1(der.SEQUENCE) ||
		!tbs.SkipASN1(der.SEQUENCE) || !tbs.SkipASN1(der.SEQUENCE) {
		return nil, nil, fmt.Errorf("it is not built as RFC 5280 4.1 says a certificate is")
	}
	return e, s, nil
}

// walk fills c from c.Raw. Only what it cannot go past is an error.
func (c *Certificate) walk() error {
	bad := func(what string) error { return fmt.Errorf("its %s cannot be followed (RFC 5280 4.1)", what) }
	outer := cryptobyte.String(c.Raw)
	var tbs, alg, sig, inner cryptobyte.String
	if !outer.ReadASN1(&outer, der.SEQUENCE) || !outer.ReadASN1Element(&tbs, der.SEQUENCE) ||
		!outer.ReadASN1(&alg, der.SEQUENCE) || !outer.ReadASN1(&sig, der.BIT_STRING) {
		return bad("outer frame")
	}
	c.tbs = tbs
	if len(sig) > 0 {
		c.signature = sig[1:] // without the count of unused bits
	}
	outerAlg := alg
	var id asn1.ObjectIdentifier
	if alg.ReadASN1ObjectIdentifier(&id) {
		c.SignatureAlgorithm = id
	}

	var field, issuer, dates, subject, spki cryptobyte.String
	var there bool
	if !tbs.ReadASN1(&tbs, der.SEQUENCE) ||
		!tbs.ReadOptionalASN1(&field, &there, der.Tag(0).Constructed().ContextSpecific()) {
		return bad("version")
	}
	c.Version = 1
	if there {
		var v cryptobyte.String
		if !field.ReadASN1(&v, der.INTEGER) || len(v) == 0 || len(v) > 4 {
			return bad("version")
		}
		c.Version = int(signed(v).Int64()) + 1
		c.odd.statedV1 = c.Version == 1
	}
	var serial cryptobyte.String
	if !tbs.ReadASN1(&serial, der.INTEGER) {
		return bad("serial number")
	}
	c.Serial = signed(serial)
	c.odd.longSerial = len(serial) > 1 && (serial[0] == 0 && serial[1] < 0x80 || serial[0] == 0xff && serial[1] >= 0x80)
	if !tbs.ReadASN1(&inner, der.SEQUENCE) {
		return bad("inner signature algorithm")
	}
	c.odd.algorithmsDiffer = !bytes.Equal(inner, outerAlg)
	if !tbs.ReadASN1Element(&issuer, der.SEQUENCE) || !tbs.ReadASN1(&dates, der.SEQUENCE) ||
		!tbs.ReadASN1Element(&subject, der.SEQUENCE) || !tbs.ReadASN1Element(&spki, der.SEQUENCE) {
		return bad("names, dates or key")
	}
	c.Issuer, c.Subject, c.SPKI = issuer, subject, spki
	c.readDates(dates)
	c.readExtensions(tbs)
	return nil
}

// readExtensions takes what stands behind the key: the two old unique
// identifiers, which are passed over, and the extensions.
func (c *Certificate) readExtensions(tbs cryptobyte.String) {
	tag := func(n uint8) der.Tag { return der.Tag(n).ContextSpecific() }
	var list cryptobyte.String
	var there bool
	if !tbs.SkipOptionalASN1(tag(1)) || !tbs.SkipOptionalASN1(tag(2)) ||
		!tbs.ReadOptionalASN1(&list, &there, tag(3).Constructed()) {
		c.ExtensionsErr = fmt.Errorf("the part behind the key cannot be followed")
		return
	}
	if there && !list.ReadASN1(&list, der.SEQUENCE) {
		c.ExtensionsErr = fmt.Errorf("the list of extensions cannot be followed")
		return
	}
	for !list.Empty() {
		if len(c.Extensions) == maxExtensions {
			c.ExtensionsErr = fmt.Errorf("there are more than %d extensions", maxExtensions)
			return
		}
		var one, flag, value cryptobyte.String
		var e Extension
		var hasFlag bool
		if !list.ReadASN1(&one, der.SEQUENCE) || !one.ReadASN1ObjectIdentifier(&e.ID) ||
			!one.ReadOptionalASN1(&flag, &hasFlag, der.BOOLEAN) || !one.ReadASN1(&value, der.OCTET_STRING) {
			c.ExtensionsErr = fmt.Errorf("extension %d cannot be followed", len(c.Extensions)+1)
			return
		}
		for _, b := range flag { // BER takes any value but zero for true
			e.Critical = e.Critical || b != 0
			c.odd.looseTrue = c.odd.looseTrue || b != 0 && b != 0xff
		}
		c.odd.statedFalse = c.odd.statedFalse || hasFlag && !e.Critical
		e.dotted = e.ID.String()
		if _, twice := c.extension(e.dotted); twice {
			c.odd.duplicate = true
		}
		e.Value = value
		c.Extensions = append(c.Extensions, e)
	}
}

// signed reads the content of an INTEGER, also one that DER would write
// shorter.
func signed(b []byte) *big.Int {
	n := new(big.Int).SetBytes(b)
	if len(b) > 0 && b[0]&0x80 != 0 {
		n.Sub(n, new(big.Int).Lsh(big.NewInt(1), uint(8*len(b))))
	}
	return n
}

// Fingerprint returns the SHA-256 of the DER.
func (c *Certificate) Fingerprint() Fingerprint { return Of(c.Raw) }

// PEM returns the one form in which anchorhold writes certificates: one block,
// 64 columns, LF.
func (c *Certificate) PEM() []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: c.Raw})
}
