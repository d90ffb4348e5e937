package main

import (
	"crypto/tls"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// What services really serve, and what is held for them: C33, C40.

// networked is hosted where the harbour's names lead to the machine.
func networked(e expectation) expectation {
	return func(t *testing.T, dir string) {
		if !onMachine(t) {
			return
		}
		write(t, "/etc/hosts", "127.0.0.1 localhost crane.harbour.test winch.harbour.test\n", 0o644)
		e(t, dir)
	}
}

// berth answers TLS at a port of loopback, with a certificate that can be
// changed.
type berth struct {
	t    *testing.T
	at   string
	pair atomic.Pointer[tls.Certificate]
}

func newBerth(t *testing.T, host, chain string) *berth {
	t.Helper()
	b := &berth{t: t}
	b.serve(chain)
	at := answers(t, "127.0.0.1:0", &tls.Config{GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return b.pair.Load(), nil }})
	b.at = host + at[strings.LastIndex(at, ":"):]
	return b
}

// serve takes a chain and the key beside it.
func (b *berth) serve(chain string) {
	b.t.Helper()
	pair, err := tls.LoadX509KeyPair(chain, strings.TrimSuffix(chain, ".pem")+".key")
	if err != nil {
		b.t.Fatal(err)
	}
	b.pair.Store(&pair)
}

func caseRoot(t *testing.T, label, file string) entry {
	t.Helper()
	f, err := root.Read([]byte(read(t, file)))
	if err != nil || len(f.Roots()) != 1 {
		t.Fatalf("%s: %v", file, err)
	}
	return entry{label: label, file: file, sha: f.Roots()[0].Cert.Fingerprint().String(), standing: "trusted"}
}

// c33 is a host with both roots and both services.
type c33 struct {
	*office
	a, b         entry
	crane, winch *berth
	dir          string
}

func c33Host(t *testing.T, dir string) *c33 {
	t.Helper()
	c := &c33{office: newOffice(t), dir: filepath.Join(dir, "services")}
	c.a, c.b = caseRoot(t, "Harbour Root A", filepath.Join(dir, "a.pem")), caseRoot(t, "Harbour Root B", filepath.Join(dir, "b.pem"))
	c.crane, c.winch = newBerth(t, "crane.harbour.test", c.dir+"/crane.pem"), newBerth(t, "winch.harbour.test", c.dir+"/winch.pem")
	for name, at := range map[string]string{"crane": c.crane.at, "winch": c.winch.at} {
		c.more += "[[service]]\nname = \"" + name + "\"\naddress = \"" + at + "\"\n"
	}
	c.sign(c.a, c.b)
	result(t, 0, "enforce")
	return c
}

// heldFor are the services for which the withdraw of a root waits.
func heldFor(t *testing.T, r jsonResult, e entry) []string {
	t.Helper()
	var names []string
	for _, h := range r.Held {
		if h.Root.String() == e.sha && h.Op == trust.Withdraw {
			for _, s := range h.Services {
				names = append(names, s.Service)
			}
			says(t, h.Reason, e.label)
		}
	}
	slices.Sort(names)
	return names
}

func c33Store(t *testing.T, dir string) {
	c := c33Host(t, dir)
	for _, e := range []entry{c.a, c.b} {
		if known(t, e.sha, e.file, true); !strings.HasPrefix(read(t, filepath.Join(dir, "EXPECT.txt")), "Store: A "+c.a.sha[:16]+" and B "+c.b.sha[:16]) {
			t.Error("the case's roots are others")
		}
	}
}

func c33Policy(t *testing.T, dir string) {
	c := c33Host(t, dir)
	c.sign(c.a.as("retired"), c.b)
	r := result(t, exitWrong, "preview")
	for sha, want := range map[string]string{c.a.sha: "retired", c.b.sha: "trusted"} {
		if got := r.placement(t, sha).Standing; got != want {
			t.Errorf("%s is %s, want %s", sha[:16], got, want)
		}
	}
}

func c33Services(t *testing.T, dir string) {
	c := c33Host(t, dir)
	verdicts := probedHere(t, 0)
	if len(verdicts) != 2 {
		t.Fatalf("%d services", len(verdicts))
	}
	for _, v := range verdicts {
		want := map[string]string{"crane": c.a.sha, "winch": c.b.sha}[v.Target.Service]
		if got := v.Endpoints[0].Anchors; len(got) != 1 || got[0].String() != want {
			t.Errorf("%s is carried by %v, not by %s alone", v.Target.Service, got, want)
		}
	}
}

func c33Held(t *testing.T, dir string) {
	c := c33Host(t, dir)
	c.sign(c.a.as("retired"), c.b)
	r := result(t, exitWrong, "enforce")
	if got := heldFor(t, r, c.a); !slices.Equal(got, []string{"crane"}) {
		t.Errorf("held for %q", got)
	}
	known(t, c.a.sha, c.a.file, true)
	known(t, c.b.sha, c.b.file, true)
}

func c33Ends(t *testing.T, dir string) {
	c := c33Host(t, dir)
	c.sign(c.a.as("retired"), c.b)
	result(t, exitWrong, "enforce")
	c.crane.serve(c.dir + "/crane-renewed.pem")
	r := result(t, 0, "enforce")
	if len(r.Held) != 0 || len(r.Changes) != 1 || r.Changes[0].Op != trust.Withdraw {
		t.Errorf("held %+v, changed %+v", r.Held, r.Changes)
	}
	known(t, c.a.sha, c.a.file, false)
	known(t, c.b.sha, c.b.file, true)
}

func c33Both(t *testing.T, dir string) {
	c := c33Host(t, dir)
	c.sign(c.a.as("retired"), c.b.as("retired"))
	r := result(t, exitWrong, "enforce")
	if a, b := heldFor(t, r, c.a), heldFor(t, r, c.b); !slices.Equal(a, []string{"crane"}) || !slices.Equal(b, []string{"winch"}) {
		t.Errorf("A is held for %q, B for %q", a, b)
	}
	c.crane.serve(c.dir + "/crane-renewed.pem")
	r = result(t, exitWrong, "enforce")
	if b := heldFor(t, r, c.b); !slices.Equal(b, []string{"crane", "winch"}) {
		t.Errorf("B is held for %q", b)
	}
	known(t, c.a.sha, c.a.file, false)
	known(t, c.b.sha, c.b.file, true)
}

// c33Wrong gives the issuers' names to the wrong chain: a service whose leaf
// names A's issuing CA and is carried by nothing here holds nothing.
func c33Wrong(t *testing.T, dir string) {
	c := c33Host(t, dir)
	pair, err := tls.LoadX509KeyPair(c.dir+"/crane.pem", c.dir+"/crane.key")
	if err != nil {
		t.Fatal(err)
	}
	pair.Certificate = pair.Certificate[:1] // names its issuer, and shows no way to A
	c.crane.pair.Store(&pair)
	c.sign(c.a.as("retired"), c.b)
	if r := result(t, 0, "enforce"); len(r.Held) != 0 {
		t.Errorf("held for a name: %+v", r.Held)
	}
	known(t, c.a.sha, c.a.file, false)
}

// probedHere runs 'probe --json' and returns its verdicts.
func probedHere(t *testing.T, code int, args ...string) []trust.Verdict {
	t.Helper()
	e := must(t, code, "/", append([]string{"probe", "--json"}, args...)...)
	var j jsonVerdicts
	decode(t, e.out, &j)
	if j.Schema != jsonSchema || j.Exit != code {
		t.Errorf("schema %d, exit %d in the result", j.Schema, j.Exit)
	}
	return j.Services
}

// c40Row is a line of verdicts.txt with what came of it.
type c40Row struct {
	file, name, want string
	verdict          trust.Verdict
	screen           string
	bundle           []string // before and after
}

func c40Rows(t *testing.T, dir string) []c40Row {
	t.Helper()
	write(t, "/usr/local/share/ca-certificates/harbour.crt", read(t, filepath.Join(dir, "root.pem")), 0o644)
	tool(t, "update-ca-certificates")
	var rows []c40Row
	for _, line := range strings.Split(strings.TrimSpace(read(t, filepath.Join(dir, "verdicts.txt"))), "\n") {
		f := strings.Split(line, " | ")
		r := c40Row{file: f[0], name: f[1], want: f[2], bundle: []string{read(t, "/etc/ssl/certs/ca-certificates.crt")}}
		b := newBerth(t, "127.0.0.1", filepath.Join(dir, r.file))
		code := exitWrong
		if strings.HasPrefix(r.want, "verified") {
			code = exitRight
		}
		r.verdict = probedHere(t, code, b.at, "--name", r.name)[0]
		r.screen = must(t, code, "/", "probe", b.at, "--name", r.name).out
		r.bundle = append(r.bundle, read(t, "/etc/ssl/certs/ca-certificates.crt"))
		rows = append(rows, r)
	}
	if len(rows) != 11 {
		t.Fatalf("%d rows", len(rows))
	}
	return rows
}

// kinds40 says what a finding is about, by its code.
var kinds40 = map[string]string{
	"san-missing": "name", "name-mismatch": "name", "name-short": "name", "ip-as-dns": "name", "wildcard-level": "name",
	"issuer-missing": "chain", "chain-order": "chain", "expired": "date", "not-yet-valid": "date", "root-unknown": "root", "root-not-here": "root",
}

func (r c40Row) refusals() []string {
	var codes []string
	for _, f := range r.verdict.Endpoints[0].Findings {
		if f.Severity == root.Refuse {
			codes = append(codes, f.Code)
		}
	}
	return codes
}

func c40Verdicts(t *testing.T, dir string) {
	for _, r := range c40Rows(t, dir) {
		about, _, _ := strings.Cut(r.want, ":")
		about, _, _ = strings.Cut(about, " ")
		codes := r.refusals()
		if about == "verified" {
			if r.verdict.Answer != trust.Verifies || len(codes) > 0 {
				t.Errorf("%s for %s: %s %q", r.file, r.name, r.verdict.Answer, codes)
			}
			continue
		}
		if r.verdict.Answer != trust.Fails || len(codes) != 1 || kinds40[codes[0]] != about {
			t.Errorf("%s for %s: %s %q, want %s", r.file, r.name, r.verdict.Answer, codes, r.want)
		}
	}
}

func c40NoRoot(t *testing.T, dir string) {
	for _, r := range c40Rows(t, dir) {
		for _, f := range r.verdict.Endpoints[0].Findings {
			if kinds40[f.Code] == "root" {
				t.Errorf("%s for %s: %s", r.file, r.name, f.Code)
			}
		}
		never(t, r.screen, "not trusted", "untrusted")
		if r.bundle[0] != r.bundle[1] {
			t.Errorf("%s for %s changed the store", r.file, r.name)
		}
	}
}

func c40Common(t *testing.T, dir string) {
	seen := 0
	for _, r := range c40Rows(t, dir) {
		if r.name != "crane.harbour.test" || r.file != "cn-only.pem" && r.file != "ip-san.pem" {
			continue
		}
		seen++
		if r.verdict.Answer != trust.Fails {
			t.Errorf("%s: %s", r.file, r.verdict.Answer)
		}
		says(t, r.screen, "common name", "some programs on OpenSSL still take", "Go")
	}
	if seen != 2 {
		t.Errorf("%d rows", seen)
	}
}
