package policy

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
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

// The commands of signing.md, by what they are for.
const (
	makeEd25519 = "genpkey -algorithm ed25519 -aes-256-cbc -out office.key"
	makeP256    = "genpkey -algorithm EC -pkeyopt ec_paramgen_curve:P-256 -aes-256-cbc -out office.key"
	publish     = "pkey -in office.key -pubout -out office.pub"
	signEd25519 = "pkeyutl -sign -rawin -inkey office.key -in to-sign.bin -out office.sig"
	signP256    = "dgst -sha256 -sign office.key -out office.sig to-sign.bin"
	verify      = "pkeyutl -verify -rawin -pubin -inkey office.pub -in to-sign.bin -sigfile office.sig"
	openOurs    = "pkey -in harbour.key -pubout"
)

// shown runs a command of signing.md, with the passphrase that a person would
// type.
func shown(t *testing.T, dir, command string) []byte {
	t.Helper()
	words := strings.Fields(command)
	switch words[0] {
	case "genpkey":
		words = append(words, "-pass", "env:PASS")
	case "pkey", "dgst":
		words = slices.Insert(words, 1, "-passin", "env:PASS")
	case "pkeyutl":
		if !slices.Contains(words, "-pubin") {
			words = append(words, "-passin", "env:PASS")
		}
	}
	return openssl(t, dir, words...)
}

func TestSigningShowsWhatIsTested(t *testing.T) {
	doc := string(read(t, "../packaging/doc", "signing.md"))
	commands := []string{makeEd25519, makeP256, publish, signEd25519, signP256, verify, openOurs}
	for _, command := range commands {
		if !strings.Contains(doc, "    openssl "+command+"\n") {
			t.Errorf("signing.md does not show %q", command)
		}
	}
	for line := range strings.SplitSeq(doc, "\n") {
		if command, ok := strings.CutPrefix(line, "    openssl "); ok && !slices.Contains(commands, command) {
			t.Errorf("signing.md shows %q, which nothing tests", command)
		}
	}
}

// Keys that openssl keeps sign what we export, by the commands of signing.md,
// and hosts believe the result.
func TestOpenSSLSigns(t *testing.T) {
	dirs := []string{t.TempDir(), t.TempDir()}
	var keys []Key
	for i, command := range []string{makeEd25519, makeP256} {
		shown(t, dirs[i], command)
		shown(t, dirs[i], publish)
		k, err := ParseKey(read(t, dirs[i], "office.pub"))
		if err != nil {
			t.Fatal(err)
		}
		keys = append(keys, k)
	}
	first := Keyset{Schema: 1, Policy: "harbour", Serial: 1, Issued: at("2026-01-01"), Threshold: 2, Keys: keys}
	chain := mustChain(t, first)
	data := mustSign(t, document(first, 1, at("2026-01-02"), at("2026-03-01")), chain)

	for i, sign := range []string{signEd25519, signP256} {
		input, err := SigningInput(data, keys[i])
		if err != nil {
			t.Fatal(err)
		}
		write(t, dirs[i], "to-sign.bin", input)
		shown(t, dirs[i], sign)
		if data, err = AttachSignature(data, keys, keys[i], read(t, dirs[i], "office.sig")); err != nil {
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
	write(t, dir, "office.pub", pub)
	write(t, dir, "to-sign.bin", input)
	write(t, dir, "office.sig", decode64(t, f.Policy.Signatures[0].Signature))
	shown(t, dir, verify)
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
		write(t, dir, "plain.pem", plain)
		for _, file := range [][]byte{ours, plain} {
			write(t, dir, "harbour.key", file)
			if k, err := ParseKey(shown(t, dir, openOurs)); err != nil || k != s.key {
				t.Errorf("our %s key opens as another: %v", kind, err)
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
