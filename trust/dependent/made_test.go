package dependent

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/binary"
	"encoding/pem"
	"math/big"
	"os"
	"path/filepath"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
)

// now is when everything happens.
var now = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func years(n int) time.Time { return now.AddDate(n, 0, 0) }

// ca is a certification authority of the Harbour port authority.
type ca struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newKey(t testing.TB) *ecdsa.PrivateKey {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

var serials int64

// certify makes a certificate for a key by a CA, or by its own key.
func certify(t testing.TB, tmpl x509.Certificate, key *ecdsa.PrivateKey, by ca) *x509.Certificate {
	t.Helper()
	serials++
	tmpl.SerialNumber = big.NewInt(serials)
	if tmpl.NotBefore.IsZero() {
		tmpl.NotBefore = years(-5)
	}
	tmpl.BasicConstraintsValid = true
	parent, signer := by.cert, by.key
	if parent == nil {
		parent, signer = &tmpl, key
	}
	der, err := x509.CreateCertificate(rand.Reader, &tmpl, parent, key.Public(), signer)
	if err != nil {
		t.Fatal(err)
	}
	c, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func authority(name string, until time.Time) x509.Certificate {
	return x509.Certificate{Subject: pkix.Name{Organization: []string{"Harbour"}, CommonName: name}, IsCA: true, NotAfter: until,
		KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign}
}

func newRoot(t testing.TB, name string) ca {
	key := newKey(t)
	return ca{certify(t, authority(name, years(10)), key, ca{}), key}
}

func (by ca) issuing(t testing.TB, name string) ca {
	key := newKey(t)
	return ca{certify(t, authority(name, years(5)), key, by), key}
}

// server makes a server's certificate.
func (by ca) server(t testing.TB, host string, until time.Time) ca {
	key := newKey(t)
	return ca{certify(t, x509.Certificate{Subject: pkix.Name{CommonName: host}, DNSNames: []string{host}, NotAfter: until,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}, key, by), key}
}

func (c ca) root() trust.Root { return trust.Root{Fingerprint: root.Of(c.cert.Raw), DER: c.cert.Raw} }

// inPEM is a file of certificates.
func inPEM(certs ...ca) []byte {
	var text []byte
	for _, c := range certs {
		text = append(text, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: c.cert.Raw})...)
	}
	return text
}

// keyPEM is a private key as files have it.
func (c ca) keyPEM(t testing.TB) []byte {
	der, err := x509.MarshalPKCS8PrivateKey(c.key)
	if err != nil {
		t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})
}

// inStore is a Java key store of one private key entry, as the OpenJDK writes
// it; the key in it is none.
func inStore(alias string, certs ...ca) []byte {
	number := func(b []byte, n int) []byte { return binary.BigEndian.AppendUint32(b, uint32(n)) }
	text := func(b []byte, s string) []byte {
		return append(binary.BigEndian.AppendUint16(b, uint16(len(s))), s...)
	}
	b := number(number(number([]byte{0xfe, 0xed, 0xfe, 0xed}, 2), 1), 1)
	b = append(text(b, alias), make([]byte, 8)...)
	b = append(number(b, 4), "none"...)
	b = number(b, len(certs))
	for _, c := range certs {
		b = text(b, "X.509")
		b = append(number(b, len(c.cert.Raw)), c.cert.Raw...)
	}
	return append(b, make([]byte, 20)...)
}

// machine is a host in a folder.
type machine struct {
	t   *testing.T
	dir string
}

func newMachine(t *testing.T) machine { return machine{t, t.TempDir()} }

func (m machine) host() *host.Host { return host.At(m.dir) }

func (m machine) write(name string, data []byte) {
	m.t.Helper()
	file := filepath.Join(m.dir, name)
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		m.t.Fatal(err)
	}
	if err := os.WriteFile(file, data, 0o644); err != nil {
		m.t.Fatal(err)
	}
}

func (m machine) link(name, to string) {
	m.t.Helper()
	file := filepath.Join(m.dir, name)
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		m.t.Fatal(err)
	}
	if err := os.Symlink(to, file); err != nil {
		m.t.Fatal(err)
	}
}

// gather looks through the machine for these roots.
func (m machine) gather(roots ...ca) Answer {
	m.t.Helper()
	q := Question{At: now}
	for _, r := range roots {
		q.Roots = append(q.Roots, r.root())
	}
	return Gather(m.t.Context(), m.host(), q)
}

func (a Answer) file(t *testing.T, path string) File {
	t.Helper()
	for _, f := range a.Files {
		if f.Path == path {
			return f
		}
	}
	t.Fatalf("%s is not among %d files; unread: %+v", path, len(a.Files), a.Unread)
	return File{}
}

// missed are the paths that were not inspected for a reason.
func (a Answer) missed(r Reason) (paths []string) {
	for _, u := range a.Unread {
		if u.Reason == r {
			paths = append(paths, u.Path)
		}
	}
	return paths
}
