//go:build linux

package native

import (
	"context"
	"crypto/tls"
	"encoding/pem"
	"fmt"
	"maps"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// real is this machine's own store, to be broken in a namespace.
type real struct {
	*testing.T
	d    *Debian
	runs int // of the platform's refresh
}

func realStore(t *testing.T) *real {
	t.Helper()
	trusttest.Need(t, "update-ca-certificates", "openssl", "certtool", "keytool", "python3", "curl")
	h := host.System()
	r := &real{T: t}
	h.Step = func(op, name string) error {
		if op == "run" && name == "/usr/sbin/update-ca-certificates" {
			r.runs++
		}
		return nil
	}
	stores, err := Detect(t.Context(), h)
	if err != nil {
		t.Fatal(err)
	}
	r.d = stores[0].(*Debian)
	r.sh("root", "update-ca-certificates") // whatever this machine's last one left to do
	return r
}

// private gives a test the real store in a namespace of its own. It takes
// seconds, so that a short run leaves it out.
func private(t *testing.T) bool {
	t.Helper()
	if testing.Short() {
		t.Skip("runs the real refresh: not in a short run")
	}
	return trusttest.Private(t)
}

// sh runs a script as an account.
func (r *real) sh(as, script string) string {
	r.Helper()
	out, code := r.try(as, script)
	if code != 0 {
		r.Fatalf("%s: exit %d: %s", script, code, out)
	}
	return out
}

func (r *real) try(as, script string) (string, int) {
	r.Helper()
	a, err := host.System().Account(as)
	if err != nil {
		r.Fatal(err)
	}
	res, err := host.System().Run(context.Background(), host.Cmd{Path: "/bin/sh", Args: []string{"-c", "umask 022; " + script}, As: a, Limit: 8 << 20, Timeout: 2 * time.Minute})
	if err != nil {
		r.Fatalf("%s: %v", script, err)
	}
	return string(res.Stdout) + string(res.Stderr), res.Code
}

// prints is a set of fingerprints.
type prints map[root.Fingerprint]bool

var hexPrint = regexp.MustCompile(`(?i)\b(?:[0-9a-f]{2}:){31}[0-9a-f]{2}\b|\b[0-9a-f]{64}\b`)

func parsePrints(r *real, text string) prints {
	r.Helper()
	p := prints{}
	for _, s := range hexPrint.FindAllString(text, -1) {
		fp, err := root.ParseFingerprint(s)
		if err != nil {
			r.Fatal(err)
		}
		p[fp] = true
	}
	return p
}

// readers asks programs, as an account without privileges, which roots they
// read.
var readers = map[string]func(r *real) prints{
	"keytool": func(r *real) prints {
		return parsePrints(r, r.sh("nobody", "keytool -list -cacerts -storepass changeit 2>/dev/null"))
	},
	"python3": func(r *real) prints {
		return parsePrints(r, r.sh("nobody", `/usr/bin/python3 -c '
import ssl, hashlib
for c in ssl.create_default_context().get_ca_certs(binary_form=True): print(hashlib.sha256(c).hexdigest())'`))
	},
	"openssl": func(r *real) prints {
		return parsePrints(r, r.sh("nobody", `cd /tmp && d=$(mktemp -d) && cd "$d" && csplit -s -z /etc/ssl/certs/ca-certificates.crt '/-----BEGIN/' '{*}' &&
for f in xx*; do openssl x509 -in "$f" -noout -fingerprint -sha256; done; rm -r "$d"`))
	},
}

// want asserts that every reader reads exactly these roots.
func (r *real) want(want prints) {
	r.Helper()
	for name, ask := range readers {
		got := ask(r)
		for fp := range got {
			if !want[fp] {
				r.Errorf("%s reads %s, which should not be there", name, fp.Short())
			}
		}
		for fp := range want {
			if !got[fp] {
				r.Errorf("%s does not read %s", name, fp.Short())
			}
		}
	}
	if n := loaded(r); n != len(want) {
		r.Errorf("GnuTLS loads %d roots of %d", n, len(want))
	}
}

var loadedCAs = regexp.MustCompile(`Loaded CAs \((\d+) available\)|(\d+) CAs`)

// loaded is how many roots GnuTLS loads from the bundle.
func loaded(r *real) int {
	r.Helper()
	out, _ := r.try("nobody", "certtool --verify --load-ca-certificate /etc/ssl/certs/ca-certificates.crt --infile /etc/ssl/certs/ca-certificates.crt")
	m := loadedCAs.FindStringSubmatch(out)
	if m == nil {
		r.Fatalf("certtool says %.400s", out)
	}
	n, _ := strconv.Atoi(m[1] + m[2])
	return n
}

// accepts asserts what programs make of a server whose certificate was issued
// below a root: OpenSSL by the folder of links alone, and curl.
func (r *real) accepts(a trusttest.Authority, want bool) {
	r.Helper()
	leaf, key := a.Issue(r, "localhost")
	dir, err := os.MkdirTemp("/tmp", "harbour")
	if err != nil {
		r.Fatal(err)
	}
	defer os.RemoveAll(dir)
	if err := os.Chmod(dir, 0o755); err != nil {
		r.Fatal(err)
	}
	file := filepath.Join(dir, "leaf.pem")
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: leaf.Raw}), 0o644); err != nil {
		r.Fatal(err)
	}
	if out, code := r.try("nobody", "openssl verify -no-CAfile -no-CAstore -CApath /etc/ssl/certs "+file); (code == 0) != want {
		r.Errorf("openssl with the links alone: exit %d: %s", code, out)
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		r.Fatal(err)
	}
	srv := &http.Server{Handler: http.NotFoundHandler(), ErrorLog: nil, TLSConfig: &tls.Config{
		Certificates: []tls.Certificate{{Certificate: [][]byte{leaf.Raw}, PrivateKey: key}}}}
	go srv.ServeTLS(ln, "", "")
	defer srv.Close()
	if out, code := r.try("nobody", fmt.Sprintf("curl -sS -m 20 --noproxy '*' -o /dev/null https://localhost:%d/", ln.Addr().(*net.TCPAddr).Port)); (code == 0) != want {
		r.Errorf("curl: exit %d: %s", code, out)
	}
}

// inBundle is what the store's bundle holds.
func (r *real) inBundle() prints {
	r.Helper()
	p := prints{}
	for fp, e := range observe(r.T, r.d).Entries {
		if len(e.In(partBundle)) > 0 {
			p[fp] = true
		}
	}
	return p
}

func (p prints) with(roots ...trust.Root) prints {
	q := maps.Clone(p)
	for _, r := range roots {
		q[r.Fingerprint] = true
	}
	return q
}

func (p prints) without(roots ...trust.Root) prints {
	q := maps.Clone(p)
	for _, r := range roots {
		delete(q, r.Fingerprint)
	}
	return q
}

// state asserts what is true of a root.
func (r *real) state(want trust.State, roots ...trust.Root) {
	r.Helper()
	s := observe(r.T, r.d)
	for _, x := range roots {
		if p := s.Placement(x.Fingerprint); p.State != want {
			r.Errorf("root %s is %s, not %s: %q, missing %q", x.Fingerprint.Short(), p.State, want, p.Reasons, p.Missing)
		}
	}
}

// fault asserts that the store tells of something.
func (r *real) fault(code string) {
	r.Helper()
	s := observe(r.T, r.d)
	all := s.Faults
	for _, p := range s.Parts {
		all = append(all, p.Faults...)
	}
	if !slices.ContainsFunc(all, func(f trust.Fault) bool { return f.Code == code }) {
		r.Errorf("no fault %q is told, only %v", code, all)
	}
}

// settled asserts that the platform's own refresh finds nothing to do and
// changes no root.
func (r *real) settled() {
	r.Helper()
	before := r.inBundle()
	if out := r.sh("root", "update-ca-certificates"); !strings.Contains(out, "0 added, 0 removed") {
		r.Errorf("the platform's own refresh says %s", out)
	}
	if !maps.Equal(before, r.inBundle()) {
		r.Error("the platform's own refresh made another bundle")
	}
}
