package root

import (
	"bytes"
	"fmt"

	"golang.org/x/crypto/cryptobyte"
	der "golang.org/x/crypto/cryptobyte/asn1"
)

var (
	oidSignedData   = []byte{0x06, 0x09, 0x2a, 0x86, 0x48, 0x86, 0xf7, 0x0d, 0x01, 0x07, 0x02}
	oidPKCS7        = oidSignedData[:10] // 1.2.840.113549.1.7.x
	errNotCertsOnly = fmt.Errorf("it is a signed message")
)

// isPKCS7 reports a ContentInfo of PKCS#7 or CMS (RFC 5652 3), also where its
// end is missing.
func isPKCS7(data []byte) bool {
	h, ok := readHead(data)
	return ok && h.tag == 0x30 && bytes.HasPrefix(data[h.size:], oidPKCS7)
}

// pkcs7Certificates returns the certificates of a certs-only SignedData
// (RFC 5652 5.1, RFC 2315 9.1), each as DER. A message with signers is
// refused: its certificates are those of whoever signed it.
func pkcs7Certificates(data []byte) ([][]byte, error) {
	data, _, err := definite(data, 0)
	if err != nil {
		return nil, err
	}
	bad := fmt.Errorf("its frame cannot be followed (RFC 5652 5.1)")
	s := cryptobyte.String(data)
	var oid, content, certs, signers cryptobyte.String
	var there bool
	tag := func(n uint8) der.Tag { return der.Tag(n).ContextSpecific().Constructed() }
	if !s.ReadASN1(&s, der.SEQUENCE) || !s.ReadASN1Element(&oid, der.OBJECT_IDENTIFIER) {
		return nil, bad
	}
	if !bytes.Equal(oid, oidSignedData) {
		return nil, fmt.Errorf("it is PKCS#7 of another kind than SignedData")
	}
	if !s.ReadASN1(&content, tag(0)) || !content.ReadASN1(&content, der.SEQUENCE) ||
		!content.SkipASN1(der.INTEGER) || !content.SkipASN1(der.SET) || !content.SkipASN1(der.SEQUENCE) ||
		!content.ReadOptionalASN1(&certs, &there, tag(0)) || !content.SkipOptionalASN1(tag(1)) ||
		!content.ReadASN1(&signers, der.SET) {
		return nil, bad
	}
	if !signers.Empty() {
		return nil, errNotCertsOnly
	}
	var out [][]byte
	for !certs.Empty() {
		var one cryptobyte.String
		var t der.Tag
		if !certs.ReadAnyASN1Element(&one, &t) {
			return out, bad
		}
		if t == der.SEQUENCE { // the other choices of RFC 5652 10.2.2 are no X.509 certificates
			out = append(out, one)
		}
	}
	return out, nil
}
