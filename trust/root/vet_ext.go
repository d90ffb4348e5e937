package root

import (
	"bytes"
	"encoding/asn1"
	"strings"

	"golang.org/x/crypto/cryptobyte"
)

func readID(s *cryptobyte.String) (string, bool) {
	var id asn1.ObjectIdentifier
	if !s.ReadASN1ObjectIdentifier(&id) {
		return "", false
	}
	return id.String(), true
}

// keyIDs judges the key identifiers (RFC 5280 4.2.1.1, 4.2.1.2).
func (v *vetting) keyIDs() {
	c := v.c
	for id, what := range map[string]string{extSubjectKeyID: "subject key identifier", extAuthorityKeyID: "authority key identifier"} {
		if e, ok := c.extension(id); ok && e.Critical {
			v.refuse("key-id-critical", "RFC 5280 4.2.1.1, 4.2.1.2; measured: Go cannot read it", newRoot, "its %s is critical", what)
		}
	}
	own, aki := c.keyIDs()
	if len(own) == 0 && c.Version == 3 {
		v.warn("no-subject-key-id", "RFC 5280 4.2.1.2; measured: strict OpenSSL, as in Python 3.13, refuses it", newRoot, "it has no subject key identifier")
	}
	if len(own) > 0 && len(aki) > 0 && !bytes.Equal(own, aki) && c.selfSignature() == signatureGood {
		v.warn("authority-key-id-differs", "RFC 5280 4.2.1.1", newRoot, "its authority key identifier names another key than its own, though its own key signed it")
	}
}

// knownExtensions are those of RFC 5280 4.2 that path validation knows.
var knownExtensions = map[string]bool{
	extSubjectKeyID: true, extKeyUsage: true, extSubjectAltName: true, "2.5.29.18": true, extBasicConstraints: true,
	extNameConstraints: true, "2.5.29.31": true, "2.5.29.32": true, "2.5.29.33": true, extAuthorityKeyID: true, "2.5.29.36": true,
	extExtKeyUsage: true, "2.5.29.54": true,
}

// unknownCritical lists critical extensions that path validation does not
// know.
func (c *Certificate) unknownCritical() []string {
	var out []string
	for _, e := range c.Extensions {
		if e.Critical && !knownExtensions[e.dotted] {
			out = append(out, e.dotted)
		}
	}
	return out
}

func (v *vetting) extensions() {
	if ids := v.c.unknownCritical(); len(ids) > 0 {
		v.refuse("unknown-critical-extension", "RFC 5937 2, RFC 5280 4.2; measured: Go, OpenSSL, GnuTLS and pyca/cryptography refuse it, NSS and Java do not look",
			newRoot, "it has a critical extension that verifiers do not know: %s", clip(strings.Join(ids, ", "), maxNameText))
	}
}

var purposeNames = map[string]string{
	"2.5.29.37.0": "anything", "1.3.6.1.5.5.7.3.1": "TLS servers", "1.3.6.1.5.5.7.3.2": "TLS clients",
	"1.3.6.1.5.5.7.3.3": "code", "1.3.6.1.5.5.7.3.4": "mail", "1.3.6.1.5.5.7.3.8": "time stamps", "1.3.6.1.5.5.7.3.9": "OCSP answers",
}

// purposeWords names purposes for people.
func purposeWords(ids []string) string {
	words := make([]string, 0, len(ids))
	for _, id := range ids {
		if w := purposeNames[id]; w != "" {
			id = w
		}
		words = append(words, id)
	}
	return clip(strings.Join(words, ", "), maxNameText)
}

// forServers reports whether the purposes let TLS servers be issued.
func forServers(ids []string) bool {
	for _, id := range ids {
		if id == "1.3.6.1.5.5.7.3.1" || id == "2.5.29.37.0" {
			return true
		}
	}
	return false
}

// extKeyUsage warns of purposes on a root, which no standard defines.
func (v *vetting) extKeyUsage() {
	ids, there := v.c.purposes()
	if !there {
		return
	}
	const source = "RFC 5280 4.2.1.12 speaks of end entities; measured: Go, OpenSSL and pyca/cryptography enforce it on a root, GnuTLS, NSS and Java do not"
	if !forServers(ids) {
		v.warn("extended-key-usage", source, newRoot, "it says that it is for %s, not for TLS servers: some programs will refuse its servers", purposeWords(ids))
		return
	}
	v.warn("extended-key-usage", source, "put the limit into the issuing CAs", "it says that it is for %s; some programs ignore that on a root", purposeWords(ids))
}

// constraints judges name constraints (RFC 5280 4.2.1.10) and whether hosts
// enforce what the root says of itself.
func (v *vetting) constraints() {
	l := v.c.nameLimits()
	const section = "RFC 5280 4.2.1.10"
	if !l.there {
		v.note("no-name-constraints", section+", 6.2", "it has no name constraints: it may vouch for any name")
		return
	}
	switch {
	case l.bad:
		v.refuse("name-constraints-unreadable", section, newRoot, "its name constraints cannot be followed")
		return
	case l.empty():
		v.refuse("name-constraints-empty", section+"; measured: Go and pyca/cryptography cannot read it", newRoot, "its name constraints are empty")
		return
	}
	if !l.critical {
		v.warn("name-constraints-not-critical", section, newRoot, "its name constraints are not critical")
	}
	if l.critical && l.has(func(t subtree) bool { return !goForms[t.form] }) {
		v.refuse("name-constraints-form", section+"; measured: Go refuses it as an unhandled critical extension", newRoot,
			"its critical name constraints limit a form of name that Go does not know, such as directory names")
	}
	if l.has(func(t subtree) bool { return t.form == formIP && !t.net.IsValid() }) {
		v.refuse("name-constraints-mask", section+", RFC 4632; measured: Go and pyca/cryptography cannot read it, GnuTLS refuses its servers", newRoot,
			"an address in its name constraints has no mask of leading bits")
	}
	if l.has(func(t subtree) bool { return t.bounds }) {
		v.warn("name-constraints-bounds", section+": minimum must be zero, maximum absent", newRoot, "its name constraints carry a minimum or maximum")
	}
	if l.has(func(t subtree) bool { return t.form == formDNS && strings.HasPrefix(t.text, ".") }) {
		v.warn("name-constraints-leading-dot", section+"; measured: pyca/cryptography refuses it, OpenSSL, GnuTLS, NSS and Go take it for names below",
			"write the name without the dot", "a DNS name in its name constraints has a leading dot")
	}
	if len(of(l.permitted, formDNS)) > 0 && len(of(l.permitted, formIP)) == 0 && !l.allIPExcluded() {
		v.warn("name-constraints-free-ip", section+": constraints hold for their own form of name", "exclude 0.0.0.0/0 and ::/0 in the issuing CA",
			"its name constraints limit DNS names and leave IP addresses free")
	}
	v.warn("constraints-not-enforced", "RFC 5280 6.2; measured on JDK 17", "put the same constraint into the issuing CA, where Java enforces it",
		"Java does not enforce constraints that stand on a root")
}

// goForms are the forms of name that crypto/x509 constrains.
var goForms = map[formKind]bool{formMail: true, formDNS: true, formURI: true, formIP: true}
