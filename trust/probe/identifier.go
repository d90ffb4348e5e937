package probe

import (
	"bytes"
	"crypto/x509"
	"encoding/asn1"
	"math/big"
)

// misnamed returns the first certificate of a chain whose authority key
// identifier names another issuer than the one that signed it, or nil. For
// crypto/x509 that is a hint; OpenSSL, GnuTLS, NSS and Java look for the issuer
// that is named, and find none (measured; by serial number OpenSSL alone). It happens where a root is renewed
// with the same key and another identifier, or under another serial number.
func misnamed(chain []*x509.Certificate) *x509.Certificate {
	for i, c := range chain[:len(chain)-1] {
		if !identifies(c, chain[i+1]) {
			return c
		}
	}
	return nil
}

var authorityKeyID = asn1.ObjectIdentifier{2, 5, 29, 35}

// identifies reports whether all that c says of its issuer is true of by (RFC
// 5280 4.2.1.1): the key identifier, where by has one, and the name of by's own
// issuer with by's serial number. What cannot be read says nothing.
func identifies(c, by *x509.Certificate) bool {
	if len(c.AuthorityKeyId) > 0 && len(by.SubjectKeyId) > 0 && !bytes.Equal(c.AuthorityKeyId, by.SubjectKeyId) {
		return false
	}
	for _, e := range c.Extensions {
		if !e.Id.Equal(authorityKeyID) {
			continue
		}
		var id struct {
			Key    []byte        `asn1:"optional,tag:0"`
			Issuer asn1.RawValue `asn1:"optional,tag:1"`
			Serial *big.Int      `asn1:"optional,tag:2"`
		}
		if _, err := asn1.Unmarshal(e.Value, &id); err != nil || id.Serial == nil {
			return true
		}
		return id.Serial.Cmp(by.SerialNumber) == 0 && bytes.Contains(id.Issuer.Bytes, by.RawIssuer)
	}
	return true
}
