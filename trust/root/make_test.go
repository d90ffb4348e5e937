package root

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"testing"
	"time"
)

// Certificates for tests: P-256 keys derived from labels, so that anybody has
// them. Dates and names are fixed; signatures are not, so nothing here is
// compared by fingerprint across runs.

var today = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func testKey(t testing.TB, label string) *ecdsa.PrivateKey {
	t.Helper()
	sum := sha256.Sum256([]byte("harbour test key " + label))
	k, err := ecdsa.ParseRawPrivateKey(elliptic.P256(), sum[:])
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// template is a good root before anybody spoils it.
func template(cn string) *x509.Certificate {
	return &x509.Certificate{
		SerialNumber: big.NewInt(4711),
		Subject:      pkix.Name{Organization: []string{"Harbour Lab"}, CommonName: cn},
		NotBefore:    time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC), NotAfter: time.Date(2044, 1, 1, 0, 0, 0, 0, time.UTC),
		BasicConstraintsValid: true, IsCA: true, MaxPathLen: -1,
		KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
	}
}

func issue(t testing.TB, tmpl, parent *x509.Certificate, pub crypto.PublicKey, signer crypto.Signer) []byte {
	t.Helper()
	der, err := x509.CreateCertificate(nil, tmpl, parent, pub, signer)
	if err != nil {
		t.Fatal(err)
	}
	return der
}

// rootDER makes a root; spoil changes the template before it is signed.
func rootDER(t testing.TB, cn string, spoil ...func(*x509.Certificate)) []byte {
	t.Helper()
	tmpl := template(cn)
	for _, f := range spoil {
		f(tmpl)
	}
	k := testKey(t, cn)
	return issue(t, tmpl, tmpl, k.Public(), k)
}

// below makes a certificate issued by the root of that common name.
func below(t testing.TB, cn, rootCN string, ca bool) []byte {
	t.Helper()
	tmpl, k := template(cn), testKey(t, cn)
	tmpl.IsCA = ca
	if !ca {
		tmpl.DNSNames, tmpl.KeyUsage = []string{cn}, x509.KeyUsageDigitalSignature
		tmpl.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
	}
	parent, err := x509.ParseCertificate(rootDER(t, rootCN))
	if err != nil {
		t.Fatal(err)
	}
	return issue(t, tmpl, parent, k.Public(), testKey(t, rootCN))
}

func toPEM(label string, der []byte) string {
	return string(pem.EncodeToMemory(&pem.Block{Type: label, Bytes: der}))
}

func parse(t testing.TB, der []byte) *Certificate {
	t.Helper()
	c, err := Parse(der)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// codes returns the codes of findings of one severity or of all ("").
func codes(fs []Finding, s Severity) []string {
	var out []string
	for _, f := range fs {
		if s == "" || f.Severity == s {
			out = append(out, f.Code)
		}
	}
	return out
}

// tlv writes DER by hand, for what no library writes.
func tlv(tag byte, parts ...[]byte) []byte {
	var body []byte
	for _, p := range parts {
		body = append(body, p...)
	}
	return append(header(tag, len(body)), body...)
}
