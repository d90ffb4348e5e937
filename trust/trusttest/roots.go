package trusttest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// Authority is a root with its key.
type Authority struct {
	Cert *x509.Certificate
	Key  *ecdsa.PrivateKey
}

// NewAuthority makes a root of the Harbour port authority. Two of one name are
// two roots with the same subject.
func NewAuthority(t testing.TB, name string) Authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{
		SerialNumber:          serial(t),
		Subject:               pkix.Name{Organization: []string{"Harbour"}, CommonName: name},
		NotBefore:             time.Now().Add(-time.Hour),
		NotAfter:              time.Now().AddDate(10, 0, 0),
		IsCA:                  true,
		BasicConstraintsValid: true,
		KeyUsage:              x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
	}
	return Authority{Cert: sign(t, tmpl, tmpl, key, key), Key: key}
}

// Issue makes a server's certificate below the root.
func (a Authority) Issue(t testing.TB, host string) (cert *x509.Certificate, key *ecdsa.PrivateKey) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{
		SerialNumber: serial(t),
		Subject:      pkix.Name{CommonName: host},
		DNSNames:     []string{host},
		NotBefore:    time.Now().Add(-time.Hour),
		NotAfter:     time.Now().AddDate(1, 0, 0),
		KeyUsage:     x509.KeyUsageDigitalSignature,
		ExtKeyUsage:  []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	return sign(t, tmpl, a.Cert, key, a.Key), key
}

func serial(t testing.TB) *big.Int {
	n, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127))
	if err != nil {
		t.Fatal(err)
	}
	return n.Add(n, big.NewInt(1))
}

func sign(t testing.TB, tmpl, parent *x509.Certificate, key, by *ecdsa.PrivateKey) *x509.Certificate {
	t.Helper()
	der, err := x509.CreateCertificate(rand.Reader, tmpl, parent, key.Public(), by)
	if err != nil {
		t.Fatal(err)
	}
	c, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// Root returns the root as stores take it.
func (a Authority) Root() trust.Root {
	return trust.Root{Fingerprint: root.Of(a.Cert.Raw), DER: a.Cert.Raw}
}

// PEM returns the root as one block.
func (a Authority) PEM() []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: a.Cert.Raw})
}

// Change returns a change of one root in the machine store.
func Change(op trust.Op, r trust.Root) trust.Change {
	return trust.Change{Store: trust.Machine, Op: op, Root: r, Why: "a test"}
}
