package root

import (
	"encoding/asn1"
	"encoding/hex"
	"strings"
	"unicode/utf16"

	"golang.org/x/crypto/cryptobyte"
	der "golang.org/x/crypto/cryptobyte/asn1"
)

// Bounds of names on screens, in characters.
const (
	maxName     = 64
	maxNameText = 400
)

// maxAttributes bounds what is decoded of one name.
const maxAttributes = 256

// String types of ASN.1 that cryptobyte does not name (X.680 8.4).
const (
	tagNumeric   = der.Tag(18)
	tagVisible   = der.Tag(26)
	tagUniversal = der.Tag(28)
	tagBMP       = der.Tag(30)
)

// attribute is one attribute of a name.
type attribute struct {
	oid []byte // its whole DER
	id  string // dotted
	raw []byte // the whole DER of the value
	tag der.Tag
	val []byte
}

// readName follows a Name as far as it can be followed: a list of SETs, each
// with its attributes.
func readName(name []byte) [][]attribute {
	var out [][]attribute
	s := cryptobyte.String(name)
	if !s.ReadASN1(&s, der.SEQUENCE) {
		return nil
	}
	for n := 0; !s.Empty(); {
		var set cryptobyte.String
		if !s.ReadASN1(&set, der.SET) {
			return out
		}
		var attrs []attribute
		for !set.Empty() {
			a, ok := readAttribute(&set)
			if n++; !ok || n > maxAttributes {
				return append(out, attrs)
			}
			attrs = append(attrs, a)
		}
		out = append(out, attrs)
	}
	return out
}

func readAttribute(set *cryptobyte.String) (attribute, bool) {
	var one, oid, raw, val cryptobyte.String
	var a attribute
	if !set.ReadASN1(&one, der.SEQUENCE) || !one.ReadASN1Element(&oid, der.OBJECT_IDENTIFIER) ||
		!one.ReadAnyASN1Element(&raw, &a.tag) {
		return a, false
	}
	a.oid, a.raw, a.id = oid, raw, "?"
	var id asn1.ObjectIdentifier
	if o := oid; o.ReadASN1ObjectIdentifier(&id) {
		a.id = id.String()
	}
	if v := raw; v.ReadAnyASN1(&val, nil) {
		a.val = val
	}
	return a, true
}

// decode returns the value as UTF-8 (not necessarily valid, where it is not in
// the certificate), false where it is no string. T61String is read as Latin-1,
// as OpenSSL does; common practice.
func (a attribute) decode() (string, bool) {
	switch a.tag {
	case der.UTF8String, der.PrintableString, der.IA5String, tagVisible, tagNumeric:
		return string(a.val), true
	case der.T61String:
		r := make([]rune, len(a.val))
		for i, b := range a.val {
			r[i] = rune(b)
		}
		return string(r), true
	case tagBMP:
		if len(a.val)%2 != 0 {
			return "", false
		}
		u := make([]uint16, 0, len(a.val)/2)
		for i := 0; i < len(a.val); i += 2 {
			u = append(u, uint16(a.val[i])<<8|uint16(a.val[i+1]))
		}
		return string(utf16.Decode(u)), true
	case tagUniversal:
		if len(a.val)%4 != 0 {
			return "", false
		}
		var r []rune
		for i := 0; i < len(a.val); i += 4 {
			r = append(r, rune(uint32(a.val[i])<<24|uint32(a.val[i+1])<<16|uint32(a.val[i+2])<<8|uint32(a.val[i+3])))
		}
		return string(r), true
	}
	return "", false
}

// text is the value as people may read it, not yet escaped.
func (a attribute) text() string {
	if s, ok := a.decode(); ok {
		return s
	}
	return "#" + hex.EncodeToString(a.raw[:min(len(a.raw), maxName)]) // RFC 4514 2.4
}

// shortNames are the abbreviations of RFC 4514 3 and those that tools add.
var shortNames = map[string]string{
	"2.5.4.3": "CN", "2.5.4.4": "SN", "2.5.4.5": "serialNumber", "2.5.4.6": "C", "2.5.4.7": "L",
	"2.5.4.8": "ST", "2.5.4.9": "street", "2.5.4.10": "O", "2.5.4.11": "OU", "2.5.4.12": "title",
	"2.5.4.13": "description", "2.5.4.17": "postalCode", "2.5.4.42": "GN", "2.5.4.46": "dnQualifier",
	"2.5.4.65": "pseudonym", "2.5.4.97": "organizationIdentifier",
	"0.9.2342.19200300.100.1.1": "UID", "0.9.2342.19200300.100.1.25": "DC",
	"1.2.840.113549.1.9.1": "emailAddress",
}

const idCommonName = "2.5.4.3"

// Name returns a short name for screens: the common name, or else the other
// attributes; escaped, never empty, at most 64 characters.
func (c *Certificate) Name() string {
	var cn string
	for _, set := range readName(c.Subject) {
		for _, a := range set {
			if t := a.text(); a.id == idCommonName && strings.TrimSpace(t) != "" {
				cn = t // the last one is the most specific, X.501 9.2
			}
		}
	}
	if cn != "" {
		return Safe(cn, maxName)
	}
	if all := nameText(c.Subject, maxName); all != "" {
		return all
	}
	return "(no name, SHA-256 " + c.Fingerprint().Short() + "...)"
}

// SubjectText and IssuerText return the whole names for screens, escaped, most
// specific attribute first as RFC 4514 2.1 orders them, at most 400
// characters; empty where the name is.
func (c *Certificate) SubjectText() string { return nameText(c.Subject, maxNameText) }

// IssuerText is SubjectText's twin.
func (c *Certificate) IssuerText() string { return nameText(c.Issuer, maxNameText) }

func nameText(name []byte, limit int) string {
	var b screen
	b.limit = limit
	sets := readName(name)
	for i := len(sets) - 1; i >= 0 && !b.full; i-- {
		for j, a := range sets[i] {
			if j > 0 {
				b.plain("+")
			} else if b.n > 0 {
				b.plain(", ")
			}
			id := shortNames[a.id]
			if id == "" {
				id = a.id
			}
			b.plain(id + "=")
			b.value(a.text())
		}
	}
	return b.String()
}
