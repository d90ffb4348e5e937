package root

import (
	"strings"
)

// place refuses what is no root at all: leaves, issuing CAs, certificates
// that their own key did not sign.
func (v *vetting) place() {
	if no := v.c.refusal(); no != nil {
		v.never(no.Code, no.Source, no.Remedy, "%s", no.Reason)
	}
	if v.c.Trailing > 0 {
		v.warn("trailing-bytes", "X.690 8.1; measured: Go, GnuTLS, NSS and Java refuse the file as it stands",
			"none: what is placed is the certificate alone", "%d bytes follow the certificate", v.c.Trailing)
	}
}

// authority judges basicConstraints and the version (RFC 5280 4.2.1.9, 4.1.2.1).
func (v *vetting) authority() {
	c, b := v.c, v.c.basic()
	switch {
	case c.Version > 3 || c.Version < 1:
		v.refuse("version", "RFC 5280 4.1.2.1", newRoot, "it claims version %d; there are 1, 2 and 3", c.Version)
	case c.Version < 3 && len(c.Extensions) > 0:
		v.refuse("version", "RFC 5280 4.1.2.1; measured: GnuTLS and Java cannot read it", newRoot,
			"it has extensions and claims version %d, which has none", c.Version)
	case c.Version < 3 && c.SelfIssued():
		v.refuse("version", "RFC 5280 4.2.1.9, 6.1.4 (k); measured: strict OpenSSL and pyca/cryptography refuse it", newRoot,
			"it is of version %d, which cannot say that it is a CA", c.Version)
	}
	if b.ca && !b.critical {
		v.warn("basic-constraints-not-critical", "RFC 5280 4.2.1.9; measured: strict OpenSSL, as in Python 3.13, refuses it", newRoot,
			"basicConstraints is not critical")
	}
}

// usage judges keyUsage (RFC 5280 4.2.1.3).
func (v *vetting) usage() {
	bits, there := v.c.keyUsage()
	switch {
	case there && bits.At(bitKeyCertSign) == 0:
		v.refuse("no-key-cert-sign", "RFC 5280 4.2.1.3; measured: no library accepts it as an issuer", newRoot,
			"keyUsage does not allow it to sign certificates (keyCertSign)")
	case !there && v.c.basic().ca:
		v.warn("no-key-usage", "RFC 5280 4.2.1.3", "none: libraries take a missing keyUsage for no limit", "it has no keyUsage")
	}
}

// parsing refuses what Go programs cannot read.
func (v *vetting) parsing() {
	c := v.c
	if c.X509Err != nil {
		var read []string
		refused := map[string]bool{}
		for _, r := range Receptions(c) {
			refused[r.Library] = !r.Loads
		}
		for _, name := range []string{"OpenSSL", "GnuTLS", "NSS", "Java"} {
			if !refused[name] {
				read = append(read, name)
			}
		}
		while := "no other library reads it either"
		if len(read) > 0 {
			while = "it is read by " + strings.Join(read, ", ")
		}
		v.never("go-unloadable", "RFC 5280; measured: Go's pool passes over what it cannot read, without a word", newRoot,
			"Go programs cannot read it (%s); %s", Safe(c.X509Err.Error(), maxNameText), while)
	}
	if c.ExtensionsErr != nil {
		v.refuse("extensions-unreadable", "RFC 5280 4.2", newRoot, "%s", c.ExtensionsErr)
	}
}

// signature judges the self-signature's algorithm (SP 800-131A). The check
// itself is made by place.
func (v *vetting) signature() {
	c := v.c
	switch c.SignatureAlgorithm.String() {
	case "1.2.840.113549.1.1.4", "1.2.840.113549.1.1.2":
		v.warn("md5-self-signature", "RFC 6151; RFC 5280 6.1 does not check it", newRoot,
			"its own signature uses MD5 or MD2 and was not checked")
		return
	case "1.2.840.113549.1.1.5", "1.3.14.3.2.29", "1.2.840.10045.4.1", "1.2.840.10040.4.3":
		v.note("sha1-self-signature", "NIST SP 800-131A; RFC 5280 6.1 does not check a root's own signature",
			"its own signature uses SHA-1: good or not, it proves nothing of a root; nothing depends on it")
	}
	if c.SelfIssued() && c.selfSignature() == signatureUnknown {
		v.note("self-signature-not-checked", "RFC 5280 6.1",
			"its own signature was not checked: algorithm or key size is outside what is supported")
	}
}
