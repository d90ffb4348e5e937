package reader

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"path"
	"regexp"
	"slices"
	"strings"

	"golang.org/x/crypto/cryptobyte"
	der "golang.org/x/crypto/cryptobyte/asn1"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
)

// askOpenSSL has OpenSSL load the bundle. Of its commands 'crl2pkcs7' reads a
// file by the very function that CAfile and load_verify_locations use
// (PEM_X509_INFO_read_bio; measured on every fault of a file that is known: it
// fails where they fail and stops where they stop, which 'storeutl' does not)
// and hands over what it read.
func askOpenSSL(ctx context.Context, s *sitting, tool string, p trust.Part) reading {
	version, err := s.openssl()
	if err != nil {
		return reading{err: err}
	}
	r, err := s.run(ctx, host.Cmd{Path: tool, Args: []string{"crl2pkcs7", "-nocrl", "-certfile", p.Path, "-outform", "DER"}})
	if err != nil {
		return reading{version: version, err: err}
	}
	if r.Code != 0 {
		return reading{version: version, refused: words(r.Stderr, r.Stdout)}
	}
	roots, err := certificatesOf(r.Stdout)
	if err != nil {
		return reading{version: version, err: err}
	}
	folder := slices.IndexFunc(s.parts, func(p trust.Part) bool { return p.Name == trust.LinksPart })
	if folder < 0 || len(roots) == 0 {
		return reading{version: version, roots: roots}
	}
	// It may have read a root with the order to refuse it: BEGIN TRUSTED
	// CERTIFICATE (openssl-x509(1), trust settings).
	j, err := s.judge(ctx, tool, s.parts[folder], "-no-CApath", "-CAfile", p.Path)
	if err != nil {
		return reading{version: version, err: err}
	}
	roots = slices.DeleteFunc(roots, func(fp root.Fingerprint) bool { return j.untrusted[fp] && !j.accepted[fp] })
	return reading{version: version, roots: roots}
}

// askOpenSSLFolder has OpenSSL look each root of the folder up by the hash of
// its subject.
func askOpenSSLFolder(ctx context.Context, s *sitting, tool string, p trust.Part) reading {
	version, err := s.openssl()
	if err != nil {
		return reading{err: err}
	}
	j, err := s.judge(ctx, tool, p, "-no-CAfile", "-CApath", p.Path)
	if err != nil {
		return reading{version: version, err: err}
	}
	return reading{version: version, roots: slices.Collect(maps.Keys(j.accepted)), refused: j.refused}
}

// maxLookups bounds the names of one folder that one command judges. Their
// paths stay well below what a program may be given (execve(2)).
const maxLookups = 4000

// judgement is what OpenSSL thinks of the certificates behind the lookup names
// of a folder.
type judgement struct {
	accepted  map[root.Fingerprint]bool // as anchors for servers
	untrusted map[root.Fingerprint]bool // refused by their own trust settings
	refused   string
}

// judge lets OpenSSL verify each of the folder's roots against one source of
// roots, as it would verify a server's: by the parameters named ssl_server,
// whose trust counts. Their purpose does not, as a root is no server, and
// neither do dates: an expired root is read all the same.
func (s *sitting) judge(ctx context.Context, tool string, folder trust.Part, against ...string) (judgement, error) {
	l, err := s.listing(folder)
	if err != nil {
		return judgement{}, err
	}
	if l.Refused != "" {
		return judgement{refused: l.Refused}, nil
	}
	if len(l.Names) == 0 {
		return judgement{refused: "it has no lookup name"}, nil
	}
	if len(l.Names) > maxLookups {
		return judgement{}, fmt.Errorf("%s has more than %d lookup names", folder.Path, maxLookups)
	}
	args := slices.Concat([]string{"verify", "-verify_name", "ssl_server", "-purpose", "any", "-no_check_time"}, against)
	if version, _ := s.openssl(); !strings.HasPrefix(version, "1.") {
		args = append(args, "-no-CAstore") // since OpenSSL 3.0
	}
	byPath := map[string]root.Fingerprint{}
	for _, name := range slices.Sorted(maps.Keys(l.Names)) {
		byPath[path.Join(folder.Path, name)] = l.Names[name]
		args = append(args, path.Join(folder.Path, name))
	}
	r, err := s.run(ctx, host.Cmd{Path: tool, Args: args})
	if err != nil {
		return judgement{}, err
	}
	return parseVerify(r, byPath)
}

var (
	verifyError  = regexp.MustCompile(`^error ([0-9]+) at [0-9]+ depth lookup`)
	verifyFailed = regexp.MustCompile(`^error (/.*): verification failed$`)
)

// OpenSSL's codes for a root that is not, or must not be, trusted for the
// purpose (openssl-verification-options(1), X509_V_ERR_*).
var untrustedCodes = []string{"27", "28"}

// parseVerify reads what 'openssl verify' says of each file.
func parseVerify(r host.Result, byPath map[string]root.Fingerprint) (judgement, error) {
	j := judgement{accepted: map[root.Fingerprint]bool{}, untrusted: map[root.Fingerprint]bool{}}
	said := false
	for line := range strings.Lines(string(r.Stdout)) {
		if name, ok := strings.CutSuffix(strings.TrimSpace(line), ": OK"); ok {
			fp, known := byPath[name]
			if !known {
				return judgement{}, errors.New("its answer names a file that it was not asked about")
			}
			j.accepted[fp], said = true, true
		}
	}
	code := ""
	for line := range strings.Lines(string(r.Stderr)) {
		line = strings.TrimSpace(line)
		if m := verifyError.FindStringSubmatch(line); m != nil {
			code = m[1]
		}
		if m := verifyFailed.FindStringSubmatch(line); m != nil {
			if fp, known := byPath[m[1]]; known && slices.Contains(untrustedCodes, code) {
				j.untrusted[fp] = true
			}
			code, said = "", true
		}
	}
	if !said {
		return judgement{}, fmt.Errorf("its answer judges nothing (exit code %d): %s", r.Code, words(r.Stderr, r.Stdout))
	}
	return j, nil
}

func (s *sitting) opensslVersion(ctx context.Context) (string, error) {
	r, err := s.run(ctx, host.Cmd{Path: s.w.Tools.OpenSSL, Args: []string{"version"}})
	if err != nil {
		return "", err
	}
	f := bytes.Fields(r.Stdout)
	if r.Code != 0 || len(f) < 2 {
		return "", fmt.Errorf("cannot tell its version: %s", words(r.Stderr, r.Stdout))
	}
	return root.Safe(string(f[1]), maxWords), nil
}

// certificatesOf lists what a certs-only SignedData holds (RFC 5652 5.1).
func certificatesOf(p7 []byte) ([]root.Fingerprint, error) {
	bad := errors.New("its answer is not the PKCS#7 that was asked for")
	context0 := der.Tag(0).ContextSpecific().Constructed()
	s := cryptobyte.String(p7)
	var certs cryptobyte.String
	var there bool
	if !s.ReadASN1(&s, der.SEQUENCE) || !s.SkipASN1(der.OBJECT_IDENTIFIER) || !s.ReadASN1(&s, context0) || !s.ReadASN1(&s, der.SEQUENCE) ||
		!s.SkipASN1(der.INTEGER) || !s.SkipASN1(der.SET) || !s.SkipASN1(der.SEQUENCE) || !s.ReadOptionalASN1(&certs, &there, context0) {
		return nil, bad
	}
	var fps []root.Fingerprint
	for !certs.Empty() {
		var one cryptobyte.String
		if !certs.ReadASN1Element(&one, der.SEQUENCE) {
			return nil, bad
		}
		fps = append(fps, root.Of(one))
	}
	return fps, nil
}
