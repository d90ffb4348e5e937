package policy

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io/fs"
	"math/big"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust/root"
)

// testCA is a root with its key.
type testCA struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

// newCA makes a root; how may spoil it.
func newCA(t testing.TB, name string, number byte, how func(*x509.Certificate)) testCA {
	t.Helper()
	raw := make([]byte, 32)
	raw[31] = number
	key, err := ecdsa.ParseRawPrivateKey(elliptic.P256(), raw)
	if err != nil {
		t.Fatal(err)
	}
	spki, err := x509.MarshalPKIXPublicKey(key.Public())
	if err != nil {
		t.Fatal(err)
	}
	id := root.Of(spki)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(int64(number) + 1), Subject: pkix.Name{CommonName: name, Organization: []string{"Harbour"}},
		NotBefore: at("2025-01-01"), NotAfter: at("2040-01-01"), SubjectKeyId: id[:20],
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign,
	}
	if how != nil {
		how(template)
	}
	return issue(t, template, template, key, key)
}

func (ca testCA) leaf(t testing.TB, name string) testCA {
	return issue(t, &x509.Certificate{
		SerialNumber: big.NewInt(99), Subject: pkix.Name{CommonName: name}, DNSNames: []string{name},
		NotBefore: at("2025-01-01"), NotAfter: at("2030-01-01"), KeyUsage: x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, BasicConstraintsValid: true,
	}, ca.cert, ca.key, ca.key)
}

func issue(t testing.TB, template, parent *x509.Certificate, key, signer *ecdsa.PrivateKey) testCA {
	t.Helper()
	der, err := x509.CreateCertificate(nil, template, parent, key.Public(), signer)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return testCA{cert, key}
}

func (ca testCA) pem() []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: ca.cert.Raw})
}

func (ca testCA) fp() root.Fingerprint { return root.Of(ca.cert.Raw) }

// files is a folder in memory.
type files map[string][]byte

func (f files) load(name string) ([]byte, error) {
	data, ok := f[name]
	if !ok {
		return nil, fs.ErrNotExist
	}
	return data, nil
}

func (f files) write(name string, data []byte) error {
	f[name] = data
	return nil
}

// compile compiles a draft's text at a time of the tests.
func compile(t testing.TB, text string, f files, now time.Time) (Document, []DraftFinding, error) {
	t.Helper()
	d, err := ParseDraft([]byte(text))
	if err != nil {
		t.Fatalf("%v in\n%s", err, text)
	}
	return Compile(d, f.load, 1, now)
}
