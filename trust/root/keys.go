package root

import (
	"bytes"
	"encoding/base64"
	"regexp"

	"golang.org/x/crypto/cryptobyte"
	der "golang.org/x/crypto/cryptobyte/asn1"
)

// keyForm names the form of a private key in DER, or is empty. It looks at the
// beginning alone, so that the first line of a key, or a torn one, is enough.
func keyForm(data []byte) string {
	h, ok := readHead(data)
	if !ok || h.tag != 0x30 {
		return ""
	}
	s := cryptobyte.String(data[h.size:])
	var first cryptobyte.String
	var tag der.Tag
	if !s.ReadAnyASN1(&first, &tag) {
		return ""
	}
	next, ok := readHead(s)
	if !ok {
		return ""
	}
	small := func(n byte) bool { return tag == der.INTEGER && len(first) == 1 && first[0] == n }
	switch {
	case tag == der.SEQUENCE && next.tag == 0x04 && passwordBased(first):
		return "PKCS#8, encrypted" // RFC 5958 3
	case (small(0) || small(1)) && next.tag == 0x30 && bytes.HasPrefix(s[next.size:], []byte{0x06}):
		return "PKCS#8" // RFC 5958 2
	case small(1) && next.tag == 0x04 && next.length >= 20 && next.length <= 72:
		return "SEC 1" // RFC 5915 3
	case (small(0) || small(1)) && next.tag == 0x02 && next.length >= 40:
		return "PKCS#1 or DSA" // RFC 8017 A.1.2, and what OpenSSL writes for DSA
	}
	return ""
}

// passwordBased reports an AlgorithmIdentifier of PKCS#5 or PKCS#12.
func passwordBased(alg []byte) bool {
	return bytes.HasPrefix(alg, []byte{0x06, 0x09, 0x2a, 0x86, 0x48, 0x86, 0xf7, 0x0d, 0x01, 0x05}) ||
		bytes.HasPrefix(alg, []byte{0x06, 0x0a, 0x2a, 0x86, 0x48, 0x86, 0xf7, 0x0d, 0x01, 0x0c, 0x01})
}

// isPKCS12 reports a PFX (RFC 7292 4): version 3, then a ContentInfo.
func isPKCS12(data []byte) bool {
	h, ok := readHead(data)
	if !ok || h.tag != 0x30 || !bytes.HasPrefix(data[h.size:], []byte{0x02, 0x01, 0x03}) {
		return false
	}
	return isPKCS7(data[h.size+3:])
}

// keyMarks are words that only files with a private key have: markers of PEM
// and OpenPGP however they were mangled, other tools' own forms, dumps.
var keyMarks = []struct {
	form string
	mark func() *regexp.Regexp
}{
	{"a private key block", lazy(`(?i)[^A-Z0-9\s][\s\x{a0}]*BEGIN[\s_\x{a0}]+([A-Z0-9#]+[\s_\x{a0}]+){0,4}(PRIVATE|SECRET)[\s_\x{a0}]+KEY`)},
	{"a PuTTY key", lazy(`PuTTY-User-Key-File-`)},
	{"an age key", lazy(`AGE-SECRET-KEY-1`)},
	{"a DNSSEC key", lazy(`Private-key-format:`)},
	{"a key in words", lazy(`Private-Key: \(|(?m)^privateExponent:|(?m)^priv:\s*$`)},
	{"a key in XML", lazy(`(?s)<RSAKeyValue>.*<(D|InverseQ)>`)},
	{"a JSON Web Key", lazy(`(?s)"kty"\s*:.*"d"\s*:\s*"|"d"\s*:\s*".*"kty"\s*:`)},
}

// keyInside names the form of a private key found anywhere in data, or is
// empty. It never returns a byte of data.
func keyInside(data []byte) string {
	if bytes.HasPrefix(data, []byte{0x1e, 0xf1, 0xb5, 0xb0}) {
		return "a PVK key"
	}
	if form := keyForm(data); form != "" {
		return form
	}
	for _, k := range keyMarks {
		if k.mark().Match(data) {
			return k.form
		}
	}
	return keyInBase64(data)
}

// base64 of a SEQUENCE begins with M, of "-----BEGIN " with LS0tLS1CRUdJTi,
// of the OpenSSH form with b3BlbnNzaC1rZXk.
var (
	armour64  = []byte("LS0tLS1CRUdJTi")
	openssh64 = []byte("b3BlbnNzaC1rZXkt")
)

// keyInBase64 looks at the beginning of every run of base64: keys whose
// markers are lost or wrong, and keys within JSON, YAML or XML.
func keyInBase64(data []byte) string {
	const need = 40 // characters that a beginning must have
	for i := 0; i < len(data); i++ {
		if !base64Byte[data[i]] {
			continue
		}
		end := i
		for end < len(data) && base64Byte[data[end]] {
			end++
		}
		run := data[i:end]
		i = end
		if len(run) < need {
			continue
		}
		switch {
		case bytes.HasPrefix(run, openssh64):
			return "an OpenSSH key"
		case run[0] != 'M' && !bytes.HasPrefix(run, armour64):
			continue
		}
		n := min(len(run), 128) &^ 3
		out := make([]byte, base64.StdEncoding.DecodedLen(n))
		m, _ := base64.StdEncoding.Decode(out, run[:n])
		if form := keyForm(out[:m]); form != "" {
			return form
		}
		if keyMarks[0].mark().Match(out[:m]) {
			return "a private key block in base64"
		}
	}
	return ""
}

// base64Byte is the alphabet of RFC 4648 4, without padding.
var base64Byte = func() (t [256]bool) {
	for _, c := range []byte("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/") {
		t[c] = true
	}
	return t
}()
