package root

import (
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// need skips where a tool of the platform is missing, and fails where the
// tests are meant to be whole.
func need(t *testing.T, tool string) string {
	t.Helper()
	path, err := exec.LookPath(tool)
	switch {
	case err == nil:
	case os.Getenv("CI") == "true":
		t.Fatalf("%s is missing", tool)
	default:
		t.Skipf("%s is missing", tool)
	}
	return path
}

func output(t *testing.T, stdin []byte, name string, args ...string) (string, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Stdin = bytes.NewReader(stdin)
	out, err := cmd.CombinedOutput()
	return string(out), err
}

// publicRoots are the certificates of the distribution's package.
func publicRoots(t *testing.T) []*Certificate {
	t.Helper()
	files, _ := filepath.Glob("/usr/share/ca-certificates/*/*.crt")
	if len(files) == 0 {
		if os.Getenv("CI") == "true" {
			t.Fatal("the package ca-certificates is missing")
		}
		t.Skip("the package ca-certificates is missing")
	}
	var out []*Certificate
	for _, f := range files {
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		blocks, faults := Scan(data)
		if len(blocks) != 1 || len(faults) != 0 {
			t.Errorf("%s: %d certificates, %v", f, len(blocks), faults)
			continue
		}
		out = append(out, parse(t, blocks[0].DER))
	}
	return out
}

// TestPublicRootsAgainstOpenSSL: fingerprint, subject and both name hashes of
// every public root, as openssl gives them.
func TestPublicRootsAgainstOpenSSL(t *testing.T) {
	openssl := need(t, "openssl")
	roots := publicRoots(t)
	if len(roots) < 100 {
		t.Fatalf("only %d public roots", len(roots))
	}
	for _, c := range roots {
		out, err := output(t, c.Raw, openssl, "x509", "-inform", "DER", "-noout", "-subject_hash", "-subject_hash_old",
			"-fingerprint", "-sha256", "-subject", "-nameopt", "RFC2253,-esc_msb,utf8,sep_comma_plus_space")
		lines := strings.Split(strings.TrimSpace(out), "\n")
		if err != nil || len(lines) != 4 {
			t.Fatalf("openssl: %v\n%s", err, out)
		}
		hash, old, fp, subject := lines[0], lines[1], lines[2], lines[3]
		if c.SubjectHash() != hash || SubjectHashOf(c.Raw) != hash || c.SubjectHashOld() != old {
			t.Errorf("%s: hashes %s %s, openssl says %s %s", c.Name(), c.SubjectHash(), c.SubjectHashOld(), hash, old)
		}
		got, err := ParseFingerprint(fp)
		if err != nil || got != c.Fingerprint() {
			t.Errorf("%s: fingerprint %s, openssl says %s", c.Name(), c.Fingerprint(), fp)
		}
		if want := strings.TrimPrefix(subject, "subject="); plainName(want) != plainName(c.SubjectText()) {
			t.Errorf("subject %s, openssl says %s", c.SubjectText(), want)
		}
	}
}

// plainName takes away what the two write differently: blanks, escapes and
// names of attributes that openssl has no abbreviation for.
func plainName(s string) string {
	return strings.NewReplacer(" ", "", `\`, "", "organizationIdentifier", "2.5.4.97").Replace(strings.ToLower(s))
}

type publicRow struct {
	SHA256  string `json:"sha256"`
	Subject string `json:"subject"`
	Serial  string `json:"serial_hex"`
	Before  string `json:"not_before"`
	After   string `json:"not_after"`
	Hash    string `json:"subject_hash"`
	Old     string `json:"subject_hash_old"`
	SPKI    string `json:"spki_sha256"`
	Length  int    `json:"der_len"`
	KU      bool   `json:"has_ku"`
	SKI     bool   `json:"has_ski"`
	BC      bool   `json:"bc_critical"`
}

// TestPublicRootsAgainstList: the walk against values that two other parsers
// agree on.
func TestPublicRootsAgainstList(t *testing.T) {
	data, err := os.ReadFile("../../testdata/ca-roots.json")
	if err != nil {
		t.Fatal(err)
	}
	var list struct{ Roots []publicRow }
	if err := json.Unmarshal(data, &list); err != nil {
		t.Fatal(err)
	}
	rows := map[string]publicRow{}
	for _, r := range list.Roots {
		rows[r.SHA256] = r
	}
	found := 0
	for _, c := range publicRoots(t) {
		r, ok := rows[c.Fingerprint().String()]
		if !ok {
			continue // a later package than the list's
		}
		found++
		_, ku := c.keyUsage()
		ski, _ := c.keyIDs()
		spki := Of(c.SPKI).String()
		serial := strings.TrimLeft(r.Serial, "0")
		if c.SubjectHash() != r.Hash || c.SubjectHashOld() != r.Old || spki != r.SPKI || len(c.Raw) != r.Length ||
			strings.TrimLeft(fmt.Sprintf("%x", c.Serial), "0") != serial || day(c.NotBefore) != r.Before || day(c.NotAfter) != r.After ||
			ku != r.KU || len(ski) > 0 != r.SKI || c.basic().critical != r.BC {
			t.Errorf("%s differs from the list: %+v", c.Name(), r)
		}
		if c.Role() != RoleRoot || c.X509Err != nil {
			t.Errorf("%s: %s, %v", c.Name(), c.Role(), c.X509Err)
		}
		for _, f := range Vet(c, time.Date(2023, 6, 1, 0, 0, 0, 0, time.UTC), nil) {
			if f.Severity == Refuse && f.Code != "expired" && f.Code != "name-hidden-characters" {
				t.Errorf("%s, a public root, is refused: %s %s", c.Name(), f.Code, f.Reason)
			}
		}
	}
	if found < 100 {
		t.Fatalf("only %d roots of the list are here", found)
	}
}

// TestHashFoldsNames: what OpenSSL folds and what not, beside the public
// roots, which fold little (values from openssl x509 -subject_hash 3.0.19).
func TestHashFoldsNames(t *testing.T) {
	name := func(attrs ...[]byte) []byte {
		var sets [][]byte
		for _, a := range attrs {
			sets = append(sets, tlv(0x31, a))
		}
		return tlv(0x30, sets...)
	}
	attr := func(last byte, tag byte, value string) []byte {
		return tlv(0x30, tlv(6, []byte{0x55, 4, last}), tlv(tag, []byte(value)))
	}
	hash := func(n []byte) string { return (&Certificate{Subject: n}).SubjectHash() }
	same := hash(name(attr(10, 12, "Harbour Lab"), attr(3, 12, "Root CA")))
	for what, n := range map[string][]byte{
		"case":            name(attr(10, 12, "HARBOUR lab"), attr(3, 12, "root ca")),
		"blanks":          name(attr(10, 12, "  Harbour \t Lab "), attr(3, 12, "Root\n CA")),
		"PrintableString": name(attr(10, 19, "Harbour Lab"), attr(3, 19, "Root CA")),
		"BMPString":       name(attr(10, 30, "\x00H\x00a\x00r\x00b\x00o\x00u\x00r\x00 \x00L\x00a\x00b"), attr(3, 20, "Root CA")),
	} {
		if got := hash(n); got != same {
			t.Errorf("%s: %s, want %s", what, got, same)
		}
	}
	for what, n := range map[string][]byte{
		"NumericString": name(attr(10, 18, "Harbour Lab"), attr(3, 12, "Root CA")),
		"order":         name(attr(3, 12, "Root CA"), attr(10, 12, "Harbour Lab")),
		"letters":       name(attr(10, 12, "Harbour Läb"), attr(3, 12, "Root CA")),
	} {
		if hash(n) == same {
			t.Errorf("%s is folded", what)
		}
	}
	two := func(a, b []byte) []byte { return tlv(0x30, tlv(0x31, a, b)) }
	if a, b := attr(10, 12, "Lab"), attr(3, 12, "Root"); hash(two(a, b)) != hash(two(b, a)) {
		t.Error("attributes within one SET are not sorted")
	}
	if got := hash(tlv(0x30)); got != hex.EncodeToString([]byte{0xee, 0xa3, 0x39, 0xda}) {
		t.Errorf("an empty name: %s", got)
	}
}
