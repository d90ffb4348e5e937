package probe_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"math/big"
	"net"
	"testing"
	"time"
)

// party is a certificate and its key.
type party struct {
	*x509.Certificate
	key *ecdsa.PrivateKey
}

// change is what makes a certificate other than the right one.
type change func(*x509.Certificate)

func newKey(t *testing.T) *ecdsa.PrivateKey {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

// certify makes a certificate for a key; without an issuer it signs itself.
func certify(t *testing.T, key *ecdsa.PrivateKey, by *party, base x509.Certificate, changes ...change) party {
	t.Helper()
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		t.Fatal(err)
	}
	base.SerialNumber = serial.Add(serial, big.NewInt(1))
	for _, c := range changes {
		c(&base)
	}
	if by == nil {
		by = &party{&base, key}
	}
	der, err := x509.CreateCertificate(rand.Reader, &base, by.Certificate, key.Public(), by.key)
	if err != nil {
		t.Fatal(err)
	}
	c, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return party{c, key}
}

func authority(name string) x509.Certificate {
	return x509.Certificate{
		Subject:   pkix.Name{Organization: []string{"Harbour"}, CommonName: name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().AddDate(8, 0, 0),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
	}
}

// newRoot, newIssuer and newServer make the right one each, and change it.
func newRoot(t *testing.T, name string, changes ...change) party {
	t.Helper()
	return certify(t, newKey(t), nil, authority(name), changes...)
}

func (by party) issuer(t *testing.T, name string, changes ...change) party {
	t.Helper()
	return certify(t, newKey(t), &by, authority(name), changes...)
}

func (by party) server(t *testing.T, changes ...change) party {
	t.Helper()
	return certify(t, newKey(t), &by, x509.Certificate{
		Subject:   pkix.Name{CommonName: "crane.harbour.test"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().AddDate(1, 0, 0),
		DNSNames: []string{"crane.harbour.test"}, KeyUsage: x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}, changes...)
}

// as is another certificate for the same name and key, signed by another.
func (p party) as(t *testing.T, by *party, changes ...change) party {
	t.Helper()
	base := authority("")
	base.Subject = p.Subject
	return certify(t, p.key, by, base, changes...)
}

// mute is an issuer whose certificates name no key of it (no AKI).
func (p party) mute() party {
	c := *p.Certificate
	c.SubjectKeyId = nil
	return party{&c, p.key}
}

func between(from, to time.Time) change {
	return func(c *x509.Certificate) { c.NotBefore, c.NotAfter = from, to }
}

var (
	past   = between(time.Now().AddDate(-3, 0, 0), time.Now().AddDate(0, 0, -3))
	future = between(time.Now().AddDate(0, 0, 3), time.Now().AddDate(2, 0, 0))
)

func serial(n int64) change { return func(c *x509.Certificate) { c.SerialNumber = big.NewInt(n) } }

func names(dns ...string) change {
	return func(c *x509.Certificate) { c.DNSNames, c.Subject.CommonName = dns, "" }
}

func addresses(ips ...string) change {
	return func(c *x509.Certificate) {
		for _, ip := range ips {
			c.IPAddresses = append(c.IPAddresses, net.ParseIP(ip))
		}
	}
}

func only(domain string) change {
	return func(c *x509.Certificate) {
		c.PermittedDNSDomains, c.PermittedDNSDomainsCritical = []string{domain}, true
	}
}

func depth(n int) change {
	return func(c *x509.Certificate) { c.MaxPathLen, c.MaxPathLenZero = n, n == 0 }
}

func usage(u ...x509.ExtKeyUsage) change { return func(c *x509.Certificate) { c.ExtKeyUsage = u } }

func critical(c *x509.Certificate) {
	c.ExtraExtensions = append(c.ExtraExtensions, pkix.Extension{Id: asn1.ObjectIdentifier{2, 999, 1}, Critical: true, Value: []byte{5, 0}})
}

// naming has a certificate name its issuer by key, name and serial number (RFC
// 5280 4.2.1.1).
func naming(t *testing.T, by party) change {
	t.Helper()
	type general struct {
		Name asn1.RawValue
	}
	value, err := asn1.Marshal(struct {
		Key    []byte   `asn1:"tag:0"`
		Issuer general  `asn1:"tag:1"`
		Serial *big.Int `asn1:"tag:2"`
	}{by.SubjectKeyId, general{asn1.RawValue{Class: asn1.ClassContextSpecific, Tag: 4, IsCompound: true, Bytes: by.RawIssuer}}, by.SerialNumber})
	if err != nil {
		t.Fatal(err)
	}
	return func(c *x509.Certificate) {
		c.ExtraExtensions = append(c.ExtraExtensions, pkix.Extension{Id: asn1.ObjectIdentifier{2, 5, 29, 35}, Value: value})
	}
}
