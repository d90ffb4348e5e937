package main

import (
	"crypto/ecdsa"
	"crypto/tls"
	"crypto/x509"
	"os"
	"path/filepath"
	"testing"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// yard is a desk of one signer beside a host with both roots' services.
type yard struct {
	dir       string
	old, next trusttest.Authority
}

// berthAt answers TLS at a port with what lies in the harbour's folder, read
// anew for each connection, as if it were restarted for each.
func berthAt(t *testing.T, port, name string) {
	t.Helper()
	answers(t, "127.0.0.1:"+port, &tls.Config{GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
		pair, err := tls.LoadX509KeyPair("/srv/harbour/"+name+".pem", "/srv/harbour/"+name+".key")
		return &pair, err
	}})
}

func issue(t *testing.T, by trusttest.Authority, name, file string) {
	t.Helper()
	leaf, key := by.Issue(t, name)
	save(t, leaf, key, file)
}

func save(t *testing.T, leaf *x509.Certificate, key *ecdsa.PrivateKey, file string) {
	t.Helper()
	write(t, file+".pem", certPEM(leaf), 0o644)
	write(t, file+".key", keyPEM(t, key), 0o600)
}

// newYard has the root of 2016 in the policy, and in the store; trusted says
// which roots the first draft trusts.
func newYard(t *testing.T, trusted ...string) yard {
	t.Helper()
	y := yard{dir: t.TempDir(), old: trusttest.NewAuthority(t, "Harbour Root 2016"), next: trusttest.NewAuthority(t, "Harbour Root 2026")}
	write(t, filepath.Join(y.dir, "bin", "sudo"), "#!/bin/sh\nexec \"$@\"\n", 0o755)
	write(t, filepath.Join(y.dir, "harbour-2016.crt"), string(y.old.PEM()), 0o644)
	write(t, filepath.Join(y.dir, "harbour-2026.crt"), string(y.next.PEM()), 0o644)
	write(t, "/etc/hosts", "127.0.0.1 localhost crane.harbour.test winch.harbour.test\n", 0o644)
	if err := os.MkdirAll("/srv/harbour", 0o755); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll("/srv/harbour") })
	issue(t, y.old, "crane.harbour.test", "/srv/harbour/crane")
	issue(t, y.old, "winch.harbour.test", "/srv/harbour/winch")
	issue(t, y.next, "crane.harbour.test", filepath.Join(y.dir, "crane-new"))
	berthAt(t, "8443", "crane")
	berthAt(t, "8444", "winch")
	must(t, 0, y.dir, "keys", "new", "--policy", "harbour", "--no-passphrase")
	args := []string{"draft", "new"}
	for _, file := range trusted {
		args = append(args, "--root", file)
	}
	must(t, 0, y.dir, args...)
	must(t, 0, y.dir, "sign", "--key", "harbour.key")
	write(t, filepath.Join(y.dir, "starter.toml"), must(t, 0, y.dir, "starter").out, 0o644)
	must(t, 0, y.dir, "adopt", "starter.toml")
	write(t, inForce, read(t, filepath.Join(y.dir, "harbour.policy")), 0o644)
	result(t, 0, "enforce")
	return y
}

func fingerprintOf(a trusttest.Authority) string { return root.Of(a.Cert.Raw).String() }

// typed does what a document says, command by command.
func (y yard) typed(t *testing.T, name string) string {
	t.Helper()
	said, code := atTerminal(t, y.dir, script(readRunbook(t, document(name))))
	if code != 0 {
		t.Fatalf("exit %d\n%s", code, said)
	}
	return said
}

func TestRunbookRollover(t *testing.T) {
	if !onNetwork(t) {
		return
	}
	y := newYard(t, "harbour-2016.crt")
	said := y.typed(t, "runbook-rollover.md")
	says(t, said, "nothing is due on this host", "1 of 2 services moved", "2 of 2 verify")
	r := result(t, 0, "verify")
	for _, a := range []trusttest.Authority{y.old, y.next} {
		r.placement(t, fingerprintOf(a)).expect(t, "placed", true, agent.Us)
	}
	if s := r.Successions; len(s) != 1 || !s[0].Placed || s[0].Ready || s[0].Moved != 1 || len(s[0].Left) != 1 {
		t.Errorf("%+v", s)
	}
}

func TestRunbookRetirement(t *testing.T) {
	if !onNetwork(t) {
		return
	}
	y := newYard(t, "harbour-2016.crt", "harbour-2026.crt")
	// Only crane needs the old one here.
	issue(t, y.next, "winch.harbour.test", "/srv/harbour/winch")
	said := y.typed(t, "runbook-retirement.md")
	says(t, said, "holds the withdraw of", "would verify no longer", "gone since", "brought it back")
	r := result(t, 0, "verify")
	r.placement(t, fingerprintOf(y.old)).expect(t, "absent", true, "")
	known(t, fingerprintOf(y.old), filepath.Join(y.dir, "harbour-2016.crt"), false)
	known(t, fingerprintOf(y.next), filepath.Join(y.dir, "harbour-2026.crt"), true)
}

func TestRunbookDistrust(t *testing.T) {
	if !onNetwork(t) {
		return
	}
	y := newYard(t, "harbour-2016.crt", "harbour-2026.crt")
	said := y.typed(t, "runbook-distrust.md")
	says(t, said, "stop verifying", "1 of 1 verifies")
	r := result(t, 0, "verify")
	r.placement(t, fingerprintOf(y.old)).expect(t, "placed", true, agent.Us)
	known(t, fingerprintOf(y.old), filepath.Join(y.dir, "harbour-2016.crt"), true)
}
