package probe

import (
	"crypto"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// Files judges a certificate before it is installed: the chain file as the
// service would send it, for a name, and the key file where key is not nil.
// Nobody is connected to. The error says that the chain file holds no
// certificate at all. No byte of the key is in the verdict.
func Files(chain, key []byte, name string, in, more []trust.Root, now time.Time) (trust.Verdict, error) {
	if len(chain) > MaxFile || len(key) > MaxFile {
		return trust.Verdict{}, fmt.Errorf("a file is larger than %d bytes", MaxFile)
	}
	var said []trust.ServiceFinding
	say := func(code, what string, args ...any) { said = append(said, finding(code, what, args...)) }
	ders, faults, err := certificatesOf(chain)
	if err != nil {
		return trust.Verdict{}, err
	}
	for _, f := range faults {
		where := ""
		if f.Line > 0 {
			where = fmt.Sprintf("line %d: ", f.Line)
		}
		switch f.Code {
		case "private-key", "other-block": // services keep both in one file
		case "der", "pkcs7":
			say(codeFileForm, "the chain file is no list of certificates in PEM: %s", root.Safe(f.What, maxText))
		default:
			say(codeFileFault, "%s%s", where, root.Safe(f.What, maxText))
		}
	}
	if first := leafOf(ders); first > 0 {
		say(codeLeafNotHead, "number %d of the chain file is the service's certificate; it must be the first", first+1)
		ders = slices.Concat(ders[first:first+1], ders[:first], ders[first+1:])
	}
	if key != nil {
		said = append(said, judgeKey(ders[0], key))
	}
	v := Judge(Gathered{Target: trust.Target{Identity: name}, Ends: []End{{Chain: ders}}}, in, more, now)
	e := &v.Endpoints[0]
	e.Remote = ""
	e.Findings = sorted(append(said, e.Findings...))
	if slices.ContainsFunc(said, func(f trust.ServiceFinding) bool { return f.Severity == root.Refuse }) {
		e.Answer, v.Answer = trust.Fails, trust.Fails
	}
	return v, nil
}

// certificatesOf takes the certificates of a chain file in their order, with
// what is odd about the file: as a service reads it, or else out of the PKCS#7
// that some CAs hand out, which no service takes.
func certificatesOf(file []byte) (ders [][]byte, faults []root.Fault, err error) {
	blocks, faults := root.Scan(file)
	for _, b := range blocks {
		ders = append(ders, b.DER)
	}
	if len(ders) > 0 {
		return ders, faults, nil
	}
	read, err := root.Read(file)
	if err != nil || !strings.HasPrefix(read.Form, "PKCS#7") {
		why := "it holds no certificate"
		if len(faults) > 0 {
			why = faults[0].What
		}
		return nil, nil, errors.New(root.Safe(why, maxText))
	}
	for _, i := range read.Items { // a set, whose order says nothing (RFC 5652 10.2.3)
		ders = append(ders, i.Cert.Raw)
	}
	first := leafOf(ders)
	ders[0], ders[first] = ders[first], ders[0]
	return ders, []root.Fault{{Code: "pkcs7", What: "this is " + read.Form}}, nil
}

// leafOf is the place of the service's certificate: the first, unless that is a
// CA's and another is not.
func leafOf(ders [][]byte) int {
	ca := func(der []byte) bool {
		c, err := x509.ParseCertificate(der)
		return err == nil && c.IsCA
	}
	if !ca(ders[0]) {
		return 0
	}
	return max(0, slices.IndexFunc(ders, func(d []byte) bool { return !ca(d) }))
}

// judgeKey tells whether a key file belongs to a certificate.
func judgeKey(leaf, file []byte) trust.ServiceFinding {
	c, err := x509.ParseCertificate(leaf)
	if err != nil {
		return finding(codeKeyLocked, "the certificate cannot be read by crypto/x509")
	}
	locked := false
	for rest := file; ; {
		var b *pem.Block
		if b, rest = pem.Decode(rest); b == nil {
			break
		}
		if !strings.HasSuffix(b.Type, "PRIVATE KEY") {
			continue
		}
		if b.Type == "ENCRYPTED PRIVATE KEY" || strings.Contains(b.Headers["Proc-Type"], "ENCRYPTED") {
			locked = true
			continue
		}
		public, ok := publicOf(b.Bytes)
		switch {
		case !ok:
			return finding(codeKeyUnread, "the private key cannot be read")
		case public.Equal(c.PublicKey):
			return finding(codeKeyChecked, "the private key belongs to the certificate")
		}
		return finding(codeKeyOther, "the private key does not belong to the certificate")
	}
	if locked {
		return finding(codeKeyLocked, "the private key is encrypted")
	}
	return finding(codeKeyUnread, "the key file holds no private key in PEM")
}

type publicKey interface{ Equal(crypto.PublicKey) bool }

// publicOf returns the public part of a private key in one of its three forms
// (RFC 5958, RFC 5915, RFC 8017 A.1.2).
func publicOf(der []byte) (publicKey, bool) {
	key, err := x509.ParsePKCS8PrivateKey(der)
	if err != nil {
		if key, err = x509.ParseECPrivateKey(der); err != nil {
			if key, err = x509.ParsePKCS1PrivateKey(der); err != nil {
				return nil, false
			}
		}
	}
	signer, ok := key.(crypto.Signer)
	if !ok {
		return nil, false
	}
	public, ok := signer.Public().(publicKey)
	return public, ok
}
