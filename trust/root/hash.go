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
	if !s.ReadASN1(&s, der.SEQUENCE) || !s.ReadASN1(&s, der.SEQUENCE) ||
		!s.SkipOptionalASN1(der.Tag(0).Constructed().ContextSpecific()) || !s.SkipASN1(der.INTEGER) ||
		!s.SkipASN1(der.SEQUENCE) || !s.SkipASN1(der.SEQUENCE) || !s.SkipASN1(der.SEQUENCE) ||
		!s.ReadASN1Element(&subject, der.SEQUENCE) {
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
			value := cryptobyte.NewBuilder(nil)
			value.AddASN1(der.SEQUENCE, func(b *cryptobyte.Builder) {
				b.AddBytes(a.oid)
				if text, ok := a.canonicalText(); ok {
					b.AddASN1(der.UTF8String, func(b *cryptobyte.Builder) { b.AddBytes(text) })
				} else {
					b.AddBytes(a.raw)
				}
			})
			if m, err := value.Bytes(); err == nil {
				members = append(members, m)
			}
		}
		slices.SortFunc(members, slices.Compare)
		s := cryptobyte.NewBuilder(nil)
		s.AddASN1(der.SET, func(b *cryptobyte.Builder) {
			for _, m := range members {
				b.AddBytes(m)
			}
		})
		if enc, err := s.Bytes(); err == nil {
			out = append(out, enc...)
		}
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
