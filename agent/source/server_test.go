package source

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"log"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"time"
)

// office is a web server on the loopback that publishes a policy.
type office struct {
	*httptest.Server
	mu    sync.Mutex
	asked []*http.Request
}

func newOffice(t *testing.T, h http.HandlerFunc) *office {
	t.Helper()
	o := unstarted(h)
	o.Start()
	t.Cleanup(o.Close)
	return o
}

func unstarted(h http.HandlerFunc) *office {
	o := &office{}
	o.Server = httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		o.mu.Lock()
		o.asked = append(o.asked, r)
		o.mu.Unlock()
		h(w, r)
	}))
	o.Config.ErrorLog = log.New(io.Discard, "", 0)
	return o
}

// requests are those that came so far.
func (o *office) requests() []*http.Request {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.asked
}

// question asks for an address within limits that suit a test.
func question(url string) Question {
	return Question{URL: url, Limits: Limits{Body: 1 << 20, Total: 20 * time.Second, Window: 10 * time.Second, Rate: 1}}
}

func ask(t *testing.T, q Question) Answer {
	t.Helper()
	if err := q.Check(); err != nil {
		t.Fatal(err)
	}
	return Fetch(t.Context(), q)
}

// raw is a server that says what no web server of this language would.
func raw(t *testing.T, say func(c net.Conn)) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				buf := make([]byte, 4<<10)
				c.Read(buf)
				say(c)
			}()
		}
	}()
	return "http://" + l.Addr().String() + "/harbour.policy"
}

// ca is a certificate authority of a test.
type ca struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newCA(t *testing.T) ca {
	t.Helper()
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "Harbour Test Root"},
		NotBefore: time.Now().Add(-48 * time.Hour), NotAfter: time.Now().Add(48 * time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}
	c := ca{key: newKey(t)}
	c.cert = signed(t, tmpl, tmpl, c.key, c.key)
	return c
}

func (c ca) pem() string {
	return string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: c.cert.Raw}))
}

// server is a certificate of the loopback address, as edit makes it.
func (c ca) server(t *testing.T, edit func(*x509.Certificate)) tls.Certificate {
	t.Helper()
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: "policy.harbour.test"},
		NotBefore: time.Now().Add(-24 * time.Hour), NotAfter: time.Now().Add(24 * time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}
	if edit != nil {
		edit(tmpl)
	}
	key := newKey(t)
	return tls.Certificate{Certificate: [][]byte{signed(t, tmpl, c.cert, key, c.key).Raw}, PrivateKey: key}
}

// secureOffice is an office with TLS.
func secureOffice(t *testing.T, cert tls.Certificate, h http.HandlerFunc) *office {
	t.Helper()
	o := unstarted(h)
	o.TLS = &tls.Config{Certificates: []tls.Certificate{cert}}
	o.StartTLS()
	t.Cleanup(o.Close)
	return o
}

func newKey(t *testing.T) *ecdsa.PrivateKey {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	must(t, err)
	return key
}

func signed(t *testing.T, tmpl, parent *x509.Certificate, key, by *ecdsa.PrivateKey) *x509.Certificate {
	t.Helper()
	der, err := x509.CreateCertificate(rand.Reader, tmpl, parent, key.Public(), by)
	must(t, err)
	cert, err := x509.ParseCertificate(der)
	must(t, err)
	return cert
}
