package policy

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// openssl runs the real tool in a folder of the test's own.
func openssl(t *testing.T, dir string, args ...string) []byte {
	t.Helper()
	path, err := exec.LookPath("openssl")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal(err)
		}
		t.Skip("openssl is not here")
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, path, args...)
	cmd.Dir = dir
	cmd.Env = []string{"PATH=/usr/bin:/bin", "LC_ALL=C", "PASS=harbour lights"}
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("openssl %v: %v: %s", args, err, out)
	}
	return out
}

func write(t *testing.T, dir, name string, data []byte) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
		t.Fatal(err)
	}
}

func read(t *testing.T, dir, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// Keys that openssl keeps sign what we export, by the commands of signing.md,
// and hosts believe the result.
func TestOpenSSLSigns(t *testing.T) {
	dir := t.TempDir()
	openssl(t, dir, "genpkey", "-algorithm", "ed25519", "-out", "ed.pem")
	openssl(t, dir, "genpkey", "-algorithm", "EC", "-pkeyopt", "ec_paramgen_curve:P-256", "-out", "ec.pem")
	var keys []Key
	for _, name := range []string{"ed", "ec"} {
		openssl(t, dir, "pkey", "-in", name+".pem", "-pubout", "-out", name+".pub")
		k, err := ParseKey(read(t, dir, name+".pub"))
		if err != nil {
			t.Fatal(err)
		}
		keys = append(keys, k)
	}
	first := Keyset{Schema: 1, Policy: "harbour", Serial: 1, Issued: at("2026-01-01"), Threshold: 2, Keys: keys}
	chain := mustChain(t, first)
	data := mustSign(t, document(first, 1, at("2026-01-02"), at("2026-03-01")), chain)

	for i, sign := range [][]string{
		{"pkeyutl", "-sign", "-rawin", "-inkey", "ed.pem", "-in", "input", "-out", "sig"},
		{"dgst", "-sha256", "-sign", "ec.pem", "-out", "sig", "input"},
	} {
		input, err := SigningInput(data, keys[i])
		if err != nil {
			t.Fatal(err)
		}
		write(t, dir, "input", input)
		openssl(t, dir, sign...)
		if data, err = AttachSignature(data, keys, keys[i], read(t, dir, "sig")); err != nil {
			t.Fatal(err)
		}
		if missing, have, err := Missing(data, first); err != nil || missing != 1-i || len(have) != i+1 {
			t.Errorf("after %d: %d missing, %v have signed, %v", i+1, missing, have, err)
		}
	}
	if _, _, err := Open(data, Pin{Keyset: first}, Floor{}, at("2026-01-03")); err != nil {
		t.Error(err)
	}
}

// What we sign, openssl verifies from the exported input and public key.
func TestOpenSSLVerifies(t *testing.T) {
	dir := t.TempDir()
	s := testSigner(t, Ed25519, 1)
	first := firstKeyset(1, s)
	data := mustSign(t, document(first, 1, at("2026-01-02"), at("2026-03-01")), mustChain(t, first), s)
	f, err := split(data)
	if err != nil {
		t.Fatal(err)
	}
	pub, err := s.key.PEM()
	if err != nil {
		t.Fatal(err)
	}
	input, err := SigningInput(data, s.key)
	if err != nil {
		t.Fatal(err)
	}
	write(t, dir, "pub", pub)
	write(t, dir, "input", input)
	write(t, dir, "sig", decode64(t, f.Policy.Signatures[0].Signature))
	openssl(t, dir, "pkeyutl", "-verify", "-rawin", "-pubin", "-inkey", "pub", "-in", "input", "-sigfile", "sig")
}

// Key files go both ways: ours open in openssl, openssl's open here.
func TestOpenSSLKeyFiles(t *testing.T) {
	dir, pass := t.TempDir(), []byte("harbour lights")
	for i, kind := range []Kind{Ed25519, P256} {
		s := testSigner(t, kind, byte(i))
		ours, err := s.PEM(pass)
		if err != nil {
			t.Fatal(err)
		}
		plain, err := s.PlainPEM()
		if err != nil {
			t.Fatal(err)
		}
		write(t, dir, "ours.pem", ours)
		write(t, dir, "plain.pem", plain)
		for _, in := range []string{"ours.pem", "plain.pem"} {
			openssl(t, dir, "pkey", "-in", in, "-passin", "env:PASS", "-pubout", "-out", "pub")
			if k, err := ParseKey(read(t, dir, "pub")); err != nil || k != s.key {
				t.Errorf("%s of %s opens as another key: %v", in, kind, err)
			}
		}
		for name, args := range map[string][]string{
			"aes-256":    {"-v2", "aes-256-cbc"},
			"aes-128":    {"-v2", "aes-128-cbc", "-v2prf", "hmacWithSHA256"},
			"scrypt":     {"-scrypt", "-v2", "aes-256-cbc"},
			"not at all": {"-nocrypt"},
		} {
			openssl(t, dir, append([]string{"pkcs8", "-topk8", "-in", "plain.pem", "-passout", "env:PASS", "-out", "theirs.pem"}, args...)...)
			theirs := read(t, dir, "theirs.pem")
			got, err := LoadSigner(theirs, pass)
			if err != nil || got.key != s.key {
				t.Errorf("%s key with %s: %v", kind, name, err)
			}
			if Encrypted(theirs) != (name != "not at all") {
				t.Errorf("%s key with %s: encrypted %v", kind, name, Encrypted(theirs))
			}
		}
		openssl(t, dir, "pkcs8", "-topk8", "-in", "plain.pem", "-passout", "env:PASS", "-out", "des.pem", "-v2", "des3")
		if _, err := LoadSigner(read(t, dir, "des.pem"), pass); CodeOf(err) != CodeKeyFile {
			t.Errorf("triple DES: %v", err)
		}
	}
}
