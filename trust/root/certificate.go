package root

import (
	"crypto/x509"
	"encoding/asn1"
	"math/big"
	"time"
)

// Certificate is one certificate by an outer DER walk, so that those which
// crypto/x509 refuses can still be listed, named, reported and taken out.
type Certificate struct {
	Raw                 []byte
	Version             int      // 1, 2, 3, or whatever the field claims plus one
	Serial              *big.Int // may be zero or negative
	Issuer, Subject     []byte   // DER of the Name
	NotBefore, NotAfter time.Time
	SPKI                []byte // DER of SubjectPublicKeyInfo
	SignatureAlgorithm  asn1.ObjectIdentifier
	Extensions          []Extension

	X509    *x509.Certificate // nil where crypto/x509 refuses the certificate
	X509Err error             // why it refuses, nil otherwise
}

// Extension is one extension, undecoded.
type Extension struct {
	ID       asn1.ObjectIdentifier
	Critical bool
	Value    []byte
}

// Role says what a certificate can be in a chain.
type Role string

// The roles.
const (
	RoleRoot        Role = "root"         // self-issued CA certificate, self-signature good or not checkable
	RoleCrossSigned Role = "cross-signed" // issuer and subject equal, signed by another key
	RoleIssuing     Role = "issuing CA"   // CA certificate of another issuer
	RoleServer      Role = "end entity"   // not a CA
)

// Parse walks the outer DER of one certificate. It fails only where not even
// the frame of RFC 5280 4.1 can be followed.
func Parse(der []byte) (*Certificate, error) { panic("being written") }

// Fingerprint returns the SHA-256 of the DER.
func (c *Certificate) Fingerprint() Fingerprint { return Of(c.Raw) }

// Name returns a short name for screens: the common name, or else the other
// attributes; escaped, never empty.
func (c *Certificate) Name() string { panic("being written") }

// SubjectText and IssuerText return the whole names for screens, escaped.
func (c *Certificate) SubjectText() string { panic("being written") }

// IssuerText is SubjectText's twin.
func (c *Certificate) IssuerText() string { panic("being written") }

// Role tells what the certificate can be in a chain.
func (c *Certificate) Role() Role { panic("being written") }

// SubjectHash returns the eight hexadecimal digits by which OpenSSL 1.0.0 and
// later look a certificate up in a folder (without the ".N").
func (c *Certificate) SubjectHash() string { panic("being written") }

// SubjectHashOld is the hash of OpenSSL before 1.0.0.
func (c *Certificate) SubjectHashOld() string { panic("being written") }

// PEM returns the one form in which anchorhold writes certificates: one block,
// 64 columns, LF.
func (c *Certificate) PEM() []byte { panic("being written") }
