package probe_test

import (
	"bytes"
	"encoding/asn1"
	"encoding/base64"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust/trusttest"
)

// The Public Key Interoperability Test Suite of NIST, version 1.0.1 with keys
// of 2011: each signed message holds the certificates of one path, and its
// subject says whether the path is valid. Debian's python3-cryptography-vectors.
const pkits = "/usr/lib/python3/dist-packages/cryptography_vectors/x509/PKITS_data"

// pkitsNow is a time at which every path that is valid by its name is.
var pkitsNow = time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC)

// section is a part of chapter 4 of the suite's document. Subjects do not name
// it; the first pattern that fits tells. size is how many messages it has.
type section struct {
	number string
	is     *regexp.Regexp
	size   int
	out    string // why no verdict of a probe can be compared with it
}

const (
	noRevocation = "a probe asks nobody about revocation, and says so"
	bySet        = "a verdict there hangs on a set of policies that the user wants; a TLS client wants none"
)

var sections = []section{
	{"4.5", regexp.MustCompile(`Basic Self-Issued`), 8, ""},
	{"4.15", regexp.MustCompile(`delta-?CRL`), 10, noRevocation},
	{"4.14", regexp.MustCompile(`IDP|cRLIssuer|[dD]istributionPoint|only(Contains|Some)`), 35, noRevocation},
	{"4.7", regexp.MustCompile(`keyUsage`), 5, ""},
	{"4.13", regexp.MustCompile(`nameConstraints`), 38, ""},
	{"4.6", regexp.MustCompile(`basicConstraints|cA False|pathLenConstraint`), 17, ""},
	{"4.9", regexp.MustCompile(`[rR]equireExplicitPolicy`), 8, bySet},
	{"4.11", regexp.MustCompile(`inhibitPolicyMapping`), 11, bySet},
	{"4.12", regexp.MustCompile(`inhibitAnyPolicy`), 10, bySet},
	{"4.10", regexp.MustCompile(`Mapping`), 14, bySet},
	{"4.8", regexp.MustCompile(`Polic|CPS Pointer|User Notice`), 20, bySet},
	{"4.4", regexp.MustCompile(`CRL|Revoked|Serial Number`), 21, noRevocation},
	{"4.2", regexp.MustCompile(`not(Before|After)`), 8, ""},
	{"4.1", regexp.MustCompile(`Signature|DSA`), 6, ""},
	{"4.3", regexp.MustCompile(`Name Chaining|RFC3280|UTF8String`), 11, ""},
	{"4.16", regexp.MustCompile(`Unknown`), 2, ""},
}

func sectionOf(subject string) (section, bool) {
	for _, s := range sections {
		if s.is.MatchString(subject) {
			return s, true
		}
	}
	return section{}, false
}

func TestPKITS(t *testing.T) {
	root, err := os.ReadFile(filepath.Join(pkits, "certs", "TrustAnchorRootCertificate.crt"))
	if err != nil {
		trusttest.Lacking(t, "NIST PKITS of python3-cryptography-vectors: "+err.Error())
	}
	files, err := filepath.Glob(filepath.Join(pkits, "smime", "*.eml"))
	if err != nil {
		t.Fatal(err)
	}
	seen, compared, left := map[string]int{}, 0, 0
	used := map[string]bool{}
	for _, file := range files {
		subject, chain := message(t, file)
		s, ok := sectionOf(subject)
		if !ok {
			t.Errorf("%q is in no section", subject)
			continue
		}
		if seen[s.number]++; s.out != "" {
			left++
			continue
		}
		compared++
		want := strings.HasPrefix(subject, "Valid ")
		if !want && !strings.HasPrefix(subject, "Invalid ") {
			t.Errorf("%s %q: its subject says no verdict", s.number, subject)
			continue
		}
		j := judge(t, chain, "", pkitsNow, root)
		why, known := pkitsDisagree[subject]
		used[subject] = true
		switch {
		case known && j.carried == want:
			t.Errorf("%s %q: no longer a disagreement (%s)", s.number, subject, why)
		case !known && j.carried != want:
			t.Errorf("%s %q: carried %v, published %v: %s", s.number, subject, j.carried, want, j.why)
		}
	}
	for _, s := range sections {
		if seen[s.number] != s.size {
			t.Errorf("section %s has %d paths, want %d", s.number, seen[s.number], s.size)
		}
	}
	for subject := range pkitsDisagree {
		if !used[subject] {
			t.Errorf("%q is explained, and no path in scope is called so", subject)
		}
	}
	t.Logf("PKITS: %d paths compared, %d of them disagree with a reason, %d out of scope", compared, len(pkitsDisagree), left)
}

// message is the subject of a signed message, and the certificates in it, the
// signer's first.
func message(t *testing.T, file string) (subject string, chain [][]byte) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	_, rest, found := strings.Cut(string(text), "\nSubject: ")
	subject, rest, _ = strings.Cut(rest, "\n")
	_, rest, signed := strings.Cut(rest, "filename=\"smime.p7s\"")
	body, _, whole := strings.Cut(rest, "\n------")
	der, err := base64.StdEncoding.DecodeString(strings.Join(strings.Fields(body), ""))
	if err != nil || !found || !signed || !whole {
		t.Fatalf("%s is no signed message: %v", file, err)
	}
	if chain, err = signers(der); err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	return strings.TrimSpace(subject), chain
}

// signers reads SignedData (RFC 5652 5.1) as far as certificates go.
func signers(der []byte) ([][]byte, error) {
	var outer struct {
		Type    asn1.ObjectIdentifier
		Content asn1.RawValue `asn1:"explicit,tag:0"`
	}
	if _, err := asn1.Unmarshal(der, &outer); err != nil {
		return nil, err
	}
	var data struct {
		Version      int
		Digests      asn1.RawValue
		Encapsulated asn1.RawValue
		Certificates asn1.RawValue `asn1:"optional,tag:0"`
		Lists        asn1.RawValue `asn1:"optional,tag:1"`
		Signers      []struct {
			Version int
			ID      struct{ Issuer, Serial asn1.RawValue }
			Rest    asn1.RawValue
		} `asn1:"set"`
	}
	if _, err := asn1.Unmarshal(outer.Content.Bytes, &data); err != nil {
		return nil, err
	}
	if len(data.Signers) != 1 {
		return nil, fmt.Errorf("%d signers", len(data.Signers))
	}
	var leaf, others [][]byte
	for rest := data.Certificates.Bytes; len(rest) > 0; {
		var c asn1.RawValue
		var err error
		if rest, err = asn1.Unmarshal(rest, &c); err != nil {
			return nil, err
		}
		var cert struct {
			TBS struct {
				Version           int `asn1:"optional,explicit,default:0,tag:0"`
				Serial, Alg, Name asn1.RawValue
			}
		}
		if _, err := asn1.Unmarshal(c.FullBytes, &cert); err != nil {
			return nil, err
		}
		id := data.Signers[0].ID
		if bytes.Equal(cert.TBS.Serial.FullBytes, id.Serial.FullBytes) && bytes.Equal(cert.TBS.Name.FullBytes, id.Issuer.FullBytes) {
			leaf = append(leaf, c.FullBytes)
		} else {
			others = append(others, c.FullBytes)
		}
	}
	if len(leaf) != 1 {
		return nil, fmt.Errorf("%d certificates are the signer's", len(leaf))
	}
	return append(leaf, others...), nil
}
