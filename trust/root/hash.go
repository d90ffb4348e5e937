package root

import (
	"crypto/md5"
	"crypto/sha1"
	"encoding/binary"
	"fmt"
	"slices"

	"golang.org/x/crypto/cryptobyte"
	der "golang.org/x/crypto/cryptobyte/asn1"
)

// SubjectHash returns the eight hexadecimal digits by which OpenSSL 1.0.0 and
// later look a certificate up in a folder (without the ".N"): SHA-1 over the
// canonical subject, first four bytes read as a little-endian number
// (X509_NAME_hash_ex in OpenSSL's x509_cmp.c and x_name.c).
func (c *Certificate) SubjectHash() string {
	sum := sha1.Sum(canonical(c.Subject))
	return fmt.Sprintf("%08x", binary.LittleEndian.Uint32(sum[:]))
}

// SubjectHashOf returns the SubjectHash of a certificate by its frame alone, and
// "" where that cannot be followed. A store has hundreds of certificates of
// which no more is asked; parsing them takes ten times as long.
func SubjectHashOf(data []byte) string {
	s := cryptobyte.String(data)
	var subject cryptobyte.String
	for range 2 { // Certificate and TBSCertificate
		if !s.ReadASN1(&s, der.SEQUENCE) {
			return ""
		}
	}
	if !s.SkipOptionalASN1(der.Tag(0).Constructed().ContextSpecific()) || !s.SkipASN1(der.INTEGER) ||
		!s.SkipASN1(der.SEQUENCE) {
		return ""
	}
	for range 2 { // issuer and validity
		if !s.SkipASN1(der.SEQUENCE) {
			return ""
		}
	}
	if !s.ReadASN1Element(&subject, der.SEQUENCE) {
		return ""
	}
	return (&Certificate{Subject: subject}).SubjectHash()
}

// SubjectHashOld is the hash of OpenSSL before 1.0.0: MD5 over the DER of the
// name, same byte order.
func (c *Certificate) SubjectHashOld() string {
	sum := md5.Sum(c.Subject)
	return fmt.Sprintf("%08x", binary.LittleEndian.Uint32(sum[:]))
}

// canonical is the subject as OpenSSL compares it: the SETs without the outer
// SEQUENCE, each string as UTF8String, blanks trimmed and collapsed, ASCII in
// lower case, attributes inside one SET in DER order.
func canonical(name []byte) []byte {
	var out []byte
	for _, set := range readName(name) {
		var members [][]byte
		for _, a := range set {
			pair := slices.Clip(a.oid)
			if text, ok := a.canonicalText(); ok {
				pair = element(pair, der.UTF8String, text)
			} else {
				pair = append(pair, a.raw...)
			}
			members = append(members, element(nil, der.SEQUENCE, pair))
		}
		slices.SortFunc(members, slices.Compare)
		out = element(out, der.SET, members...)
	}
	return out
}

// element appends a DER element of content parts (X.690 8.1.3). It does what
// cryptobyte's Builder does, without a buffer for each level: a store has
// hundreds of names.
func element(out []byte, tag der.Tag, parts ...[]byte) []byte {
	n := 0
	for _, p := range parts {
		n += len(p)
	}
	out = append(slices.Grow(out, n+6), byte(tag))
	switch {
	case n < 0x80:
		out = append(out, byte(n))
	case n < 0x100:
		out = append(out, 0x81, byte(n))
	case n < 0x10000:
		out = append(out, 0x82, byte(n>>8), byte(n))
	default: // a certificate is bounded far below 1<<24
		out = append(out, 0x83, byte(n>>16), byte(n>>8), byte(n))
	}
	for _, p := range parts {
		out = append(out, p...)
	}
	return out
}

// canonicalText folds one value; false for types that OpenSSL leaves as they
// are.
func (a attribute) canonicalText() ([]byte, bool) {
	text, ok := a.decode()
	if !ok || a.tag == tagNumeric {
		return nil, false
	}
	blank := func(b byte) bool { return b == ' ' || b >= '\t' && b <= '\r' }
	b := []byte(text)
	for len(b) > 0 && blank(b[0]) {
		b = b[1:]
	}
	for len(b) > 0 && blank(b[len(b)-1]) {
		b = b[:len(b)-1]
	}
	out := make([]byte, 0, len(b))
	for i, ch := range b {
		switch {
		case blank(ch):
			if i > 0 && blank(b[i-1]) {
				continue
			}
			out = append(out, ' ')
		case ch >= 'A' && ch <= 'Z':
			out = append(out, ch+'a'-'A')
		default:
			out = append(out, ch)
		}
	}
	return out, true
}
