package probe_test

import (
	"crypto/rand"
	"crypto/rsa"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"net/netip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/testdata"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/probe"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

var loop = netip.MustParseAddrPort("127.0.0.1:443")

// found is a judgement of one target and what must be found in it.
type found struct {
	g        probe.Gathered
	in, more []party
	answer   trust.Answer
	codes    []string // all that warn or refuse
	notes    []string // some of the notes
}

// chainOf is a target that serves these certificates.
func chainOf(target trust.Target, certs ...party) probe.Gathered {
	return probe.Gathered{Target: target, Ends: []probe.End{{Remote: loop, Version: tls.VersionTLS13, Chain: ders(certs...)}}}
}

func ders(certs ...party) [][]byte {
	var out [][]byte
	for _, c := range certs {
		out = append(out, c.Raw)
	}
	return out
}

func rootsOf(certs []party) []trust.Root { return asRoots(ders(certs...)...) }

var crane = trust.Target{Address: "crane.harbour.test:443"}

func called(name string) trust.Target { return trust.Target{Address: loop.String(), Identity: name} }

// ended is a target whose one address answered so.
func ended(stop probe.Stop) probe.Gathered {
	return probe.Gathered{Target: crane, Ends: []probe.End{{Remote: loop, Stop: stop, Why: "so it ended"}}}
}

func findings(v trust.Verdict) []trust.ServiceFinding {
	all := slices.Clone(v.Findings)
	for _, e := range v.Endpoints {
		all = append(all, e.Findings...)
	}
	return all
}

// judgements has every code of a finding at least once.
func judgements(t *testing.T) map[string]found {
	r, other := newRoot(t, "Harbour Root 2026"), newRoot(t, "Harbour Depot Root")
	i := r.issuer(t, "Harbour Issuing")
	s := i.server(t)
	year := between(time.Now().AddDate(0, -11, 0), time.Now().AddDate(0, 1, 0))
	here := []party{r}
	m := map[string]found{}
	chains(m, t, r, other, i, s)
	names40(m, t, i, here)
	reached(m, s, i, here)
	dated := func(name string, g probe.Gathered, in []party, answer trust.Answer, codes ...string) {
		m[name] = found{g: g, in: in, answer: answer, codes: codes}
	}
	dated("expired", chainOf(crane, i.server(t, past), i), here, trust.Fails, "expired", "lifetime-long")
	dated("not yet", chainOf(crane, i.server(t, future), i), here, trust.Fails, "not-yet-valid")
	dated("soon", chainOf(crane, i.server(t, year), i), here, trust.Verifies, "expires-soon")
	dated("long", chainOf(crane, i.server(t, between(time.Now(), time.Now().AddDate(3, 0, 0))), i), here, trust.Verifies, "lifetime-long")
	for code, c := range map[string]change{"issuer-expired": past, "issuer-not-yet-valid": future} {
		j := r.issuer(t, "Harbour Issuing", c)
		dated(code, chainOf(crane, j.server(t), j), here, trust.Fails, code)
	}
	j := r.issuer(t, "Harbour Issuing", year)
	dated("issuer soon", chainOf(crane, j.server(t, year), j), here, trust.Verifies, "expires-soon", "issuer-expires-soon")
	for code, c := range map[string]change{"root-expired": past, "root-not-yet-valid": future} {
		q := newRoot(t, "Harbour Root", c)
		dated(code, chainOf(crane, q.server(t)), []party{q}, trust.Fails, code)
	}
	q := newRoot(t, "Harbour Root", year)
	dated("root soon", chainOf(crane, q.server(t, year)), []party{q}, trust.Verifies, "expires-soon", "root-expires-soon")

	dated("purpose", chainOf(crane, i.server(t, usage(x509.ExtKeyUsageClientAuth)), i), here, trust.Fails, "purpose-missing")
	j = r.issuer(t, "Harbour Mail Issuing", usage(x509.ExtKeyUsageEmailProtection))
	dated("issuer purpose", chainOf(crane, j.server(t), j), here, trust.Fails, "issuer-purpose")
	q = newRoot(t, "Harbour Mail Root", usage(x509.ExtKeyUsageEmailProtection))
	dated("root purpose", chainOf(crane, q.server(t)), []party{q}, trust.Fails, "chain-refused")
	dated("no key identifier", chainOf(crane, i.mute().server(t), i), here, trust.Verifies, "aki-missing")
	weakCA, below := weakIssuer(t, r)
	dated("weak issuer", chainOf(crane, below, weakCA), here, trust.Verifies, "issuer-key-weak")
	sha1, sha1Root := signedBySHA1(t)
	dated("weak signature", chainOf(crane, sha1), []party{sha1Root}, trust.Fails, "signature-weak")
	dated("weak key", chainOf(crane, weakly(t, i), i), here, trust.Verifies, "key-weak")
	return m
}

// weakly is a server's certificate with an RSA key of 1024 bits.
func weakly(t *testing.T, by party) party {
	t.Helper()
	key, err := rsa.GenerateKey(rand.Reader, 1024)
	if err != nil {
		t.Fatal(err)
	}
	base := *by.server(t).Certificate
	base.PublicKey, base.PublicKeyAlgorithm, base.SignatureAlgorithm = nil, 0, 0
	der, err := x509.CreateCertificate(rand.Reader, &base, by.Certificate, key.Public(), by.key)
	if err != nil {
		t.Fatal(err)
	}
	c, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return party{Certificate: c}
}

// weakIssuer is a CA with an RSA key of 1024 bits, and a server's certificate
// below it.
func weakIssuer(t *testing.T, by party) (ca, below party) {
	t.Helper()
	key, err := rsa.GenerateKey(rand.Reader, 1024)
	if err != nil {
		t.Fatal(err)
	}
	make := func(base x509.Certificate, public any, issuer *x509.Certificate, signer any) party {
		base.SerialNumber, base.PublicKey, base.PublicKeyAlgorithm, base.SignatureAlgorithm = big.NewInt(7), nil, 0, 0
		der, err := x509.CreateCertificate(rand.Reader, &base, issuer, public, signer)
		if err != nil {
			t.Fatal(err)
		}
		c, err := x509.ParseCertificate(der)
		if err != nil {
			t.Fatal(err)
		}
		return party{Certificate: c}
	}
	ca = make(authority("Harbour Weak Issuing"), key.Public(), by.Certificate, by.key)
	server := by.server(t)
	return ca, make(*server.Certificate, server.key.Public(), ca.Certificate, key)
}

// signedBySHA1 is made by openssl, since Go signs no certificate so any more.
func signedBySHA1(t *testing.T) (leaf, ca party) {
	t.Helper()
	openssl := trusttest.Need(t, "openssl")[0]
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	do := func(args ...string) {
		if ok, why := run(t, nil, openssl, args...); !ok {
			t.Fatalf("openssl %s: %s", args[0], why)
		}
	}
	if err := os.WriteFile(at("ext"), []byte("subjectAltName=DNS:crane.harbour.test\nextendedKeyUsage=serverAuth\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	do("req", "-x509", "-newkey", "rsa:2048", "-noenc", "-keyout", at("ca.key"), "-out", at("ca.pem"), "-days", "3000", "-subj", "/O=Harbour/CN=Harbour Old Root",
		"-addext", "basicConstraints=critical,CA:TRUE")
	do("req", "-newkey", "rsa:2048", "-noenc", "-keyout", at("key"), "-out", at("csr"), "-subj", "/CN=crane.harbour.test")
	do("x509", "-req", "-sha1", "-in", at("csr"), "-CA", at("ca.pem"), "-CAkey", at("ca.key"), "-days", "300", "-extfile", at("ext"), "-out", at("pem"))
	read := func(name string) party {
		data, err := os.ReadFile(at(name))
		if err != nil {
			t.Fatal(err)
		}
		b, _ := pem.Decode(data)
		c, err := x509.ParseCertificate(b.Bytes)
		if err != nil {
			t.Fatal(err)
		}
		return party{Certificate: c}
	}
	return read("pem"), read("ca.pem")
}

func TestEveryFinding(t *testing.T) {
	t.Setenv("GODEBUG", "rsa1024min=0")
	seen := map[string]bool{}
	for name, c := range judgements(t) {
		v := probe.Judge(c.g, rootsOf(c.in), rootsOf(c.more), time.Now())
		if v.Answer != c.answer {
			t.Errorf("%s: %s, want %s (%+v)", name, v.Answer, c.answer, findings(v))
		}
		var loud, quiet []string
		for _, f := range findings(v) {
			seen[f.Code] = true
			if f.Severity == root.Note {
				quiet = append(quiet, f.Code)
			} else {
				loud = append(loud, f.Code)
			}
			if f.What == "" || f.Severity == root.Refuse && (f.Users == "" || f.Next == "") {
				t.Errorf("%s: %s lacks words: %+v", name, f.Code, f)
			}
		}
		slices.Sort(loud)
		if want := slices.Sorted(slices.Values(c.codes)); !slices.Equal(slices.Compact(loud), want) {
			t.Errorf("%s: found %q, want %q", name, loud, want)
		}
		for _, n := range c.notes {
			if !slices.Contains(quiet, n) {
				t.Errorf("%s: note %s is missing in %q", name, n, quiet)
			}
		}
	}
	for code := range fileVerdicts(t) {
		seen[code] = true
	}
	text, err := os.ReadFile(filepath.Join(testdata.Path(t, ".."), "packaging", "doc", "formats.md"))
	if err != nil {
		t.Fatal(err)
	}
	for _, code := range probe.Codes() {
		if !seen[code] {
			t.Errorf("no case finds %s", code)
		}
		if !strings.Contains(string(text), "`"+code+"`") {
			t.Errorf("formats.md does not know %s", code)
		}
	}
}
