package dependent

import (
	"encoding/base64"
	"strings"
)

// slapd reads slapd.conf: words, '#' begins a line of comment, a line that
// begins with a blank goes on (slapd.conf(5)).
func slapd(text []byte) (named []mention, whole bool) {
	whole = true
	for _, l := range lines(text, "#", indented) {
		w, closed := words(l.text, `"`, true, false)
		if whole = whole && closed; len(w) < 2 {
			continue
		}
		switch strings.ToLower(w[0]) {
		case "tlscertificatefile":
			named = append(named, name(l.n, certificate, w[1]))
		case "include":
			named = append(named, name(l.n, include, w[1]))
		}
	}
	return named, whole
}

// slapdLDIF reads the configuration that slapd keeps as LDIF: "name: value", in
// base64 behind two colons, and one blank at the beginning goes on (RFC 2849).
func slapdLDIF(text []byte) (named []mention, whole bool) {
	whole = true
	for _, l := range lines([]byte(strings.ReplaceAll(string(text), "\n ", "")), "#", never) {
		key, value, ok := strings.Cut(l.text, ":")
		if !ok || !strings.EqualFold(key, "olcTLSCertificateFile") {
			continue
		}
		if in64, coded := strings.CutPrefix(value, ":"); coded {
			plain, err := base64.StdEncoding.DecodeString(strings.TrimSpace(in64))
			if err != nil {
				whole = false
				continue
			}
			value = string(plain)
		}
		named = append(named, name(l.n, certificate, strings.TrimSpace(value)))
	}
	return named, whole
}
