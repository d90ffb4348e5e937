package root

import (
	"bytes"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/crypto/cryptobyte"
	der "golang.org/x/crypto/cryptobyte/asn1"
)

// Refusal says why an input cannot be used and what to do.
type Refusal struct {
	Code   string `json:"code"` // "private-key", "pkcs12", "web-page", "empty", "too-large", "trusted-certificate", "csr", ...
	Reason string `json:"reason"`
	Remedy string `json:"remedy"`
	Source string `json:"source,omitempty"` // the standard or measurement behind it, may be empty
}

func (r *Refusal) Error() string { return r.Reason + "; " + r.Remedy }

const exportAlone = "export the certificate alone (openssl x509 -in FILE -out root.pem)"

func refuseKey(form string) *Refusal {
	return &Refusal{Code: "private-key",
		Reason: "the file holds a private key (" + form + "): the key has left its place",
		Remedy: "keep the file from everybody and tell the CA's owner, who must decide about a new root; then " + exportAlone,
		Source: "measured: a platform tool that concatenates copies the key into a bundle that everybody can read"}
}

func refuseEmpty() *Refusal {
	return &Refusal{Code: "empty", Reason: "the file is empty", Remedy: "fetch it again"}
}

func refuseLarge() *Refusal {
	return &Refusal{Code: "too-large", Reason: fmt.Sprintf("the file is larger than %d bytes, the limit for a root file", MaxFile),
		Remedy: "give a file with the root alone"}
}

func refuseMany() *Refusal {
	return &Refusal{Code: "too-many", Reason: fmt.Sprintf("the file holds more than %d certificates, the limit for a root file", MaxCertificates),
		Remedy: "give a file with the root alone; a whole bundle is not a root file"}
}

func refuseWeb() *Refusal {
	return &Refusal{Code: "web-page", Reason: "this is a web page, not a certificate",
		Remedy: "fetch the file again: the address may ask for a sign-in first, or a gateway answered in the server's place"}
}

func refusePKCS12() *Refusal {
	return &Refusal{Code: "pkcs12",
		Reason: "this is PKCS#12 (.p12, .pfx), which may hold a private key and is not opened here",
		Remedy: "export the certificate without it: openssl pkcs12 -in FILE -nokeys -cacerts -out root.pem (old files also need -legacy)",
		Source: "RFC 7292"}
}

func refuseTrusted(line int) *Refusal {
	return &Refusal{Code: "trusted-certificate",
		Reason: fmt.Sprintf("line %d: this is a TRUSTED CERTIFICATE of OpenSSL, which carries trust settings that other readers take for damage or pass over", line),
		Remedy: "write the plain certificate: openssl x509 -in FILE -out root.pem",
		Source: "measured: GnuTLS, Go and Java do not read it"}
}

func refuseTruncated(line int) *Refusal {
	return &Refusal{Code: "truncated", Reason: fmt.Sprintf("line %d: the block is cut off before its end", line),
		Remedy: "fetch or copy the file again, with its END line", Source: "RFC 7468 2"}
}

func refuseBase64(line int) *Refusal {
	return &Refusal{Code: "bad-base64", Reason: fmt.Sprintf("line %d: the block is no valid base64", line),
		Remedy: "fetch or copy the file again", Source: "RFC 7468 2"}
}

func refuseBlank(line int) *Refusal {
	return &Refusal{Code: "empty-block", Reason: fmt.Sprintf("line %d: there is nothing between the markers", line),
		Remedy: "fetch or copy the file again"}
}

func refusePKCS7(err error) *Refusal {
	if errors.Is(err, errNotCertsOnly) {
		return &Refusal{Code: "signed-message",
			Reason: "this is a signed message (PKCS#7, CMS); the certificates in it are those of its signer",
			Remedy: "take the root out of the message's content, or ask the CA's owner for it as PEM", Source: "RFC 5652 5.1"}
	}
	return &Refusal{Code: "pkcs7", Reason: "this is PKCS#7, but no certificate can be taken from it: " + err.Error(),
		Remedy: "ask for the root as PEM, or try openssl pkcs7 -inform DER -in FILE -print_certs", Source: "RFC 5652 5.1"}
}

// refuseKind refuses what was recognised as something else.
func refuseKind(code, what string) *Refusal {
	remedy := map[string]string{
		"archive":          "unpack it and give the certificate file that is in it",
		"mail":             "save the attachment and give that file",
		"ssh-key":          "ask for the CA's X.509 root certificate; SSH has its own",
		"text-dump":        "ask for the file with the BEGIN CERTIFICATE line",
		"command-output":   "look what went wrong when the file was made, and make it again",
		"java-keystore":    "export the certificate: keytool -exportcert -rfc -keystore FILE -alias NAME -file root.pem",
		"serialized-store": "export the root alone as Base-64 encoded X.509",
		"registry":         "export the root alone as Base-64 encoded X.509",
		"csr":              "ask the CA for the certificate that came of the request, and for the CA's root",
		"crl":              "ask for the CA's root certificate; a revocation list is another thing",
		"public-key":       "ask for the CA's root certificate; a bare key has no name and no dates",
	}[code]
	if remedy == "" {
		remedy = "ask the CA's owner for the root as PEM or DER"
	}
	return &Refusal{Code: code, Reason: "this is " + what, Remedy: remedy}
}

// labelRefusal knows labels of PEM that are never certificates.
func labelRefusal(label string, line int) *Refusal {
	code, what := "", ""
	switch {
	case strings.Contains(label, "REQUEST"):
		code, what = "csr", "a certificate request, not a certificate"
	case strings.Contains(label, "CRL"):
		code, what = "crl", "a revocation list, not a certificate"
	case strings.HasPrefix(label, "PGP"):
		code, what = "pgp", "an OpenPGP block, not a certificate"
	case strings.Contains(label, "SSH"):
		code, what = "ssh-key", "an SSH key"
	case strings.Contains(label, "PUBLIC KEY"):
		code, what = "public-key", "a public key, not a certificate"
	case strings.Contains(label, "PARAMETERS"):
		code, what = "parameters", "a block of key parameters, not a certificate"
	case strings.HasPrefix(label, "ATTRIBUTE CERT"):
		code, what = "attribute-certificate", "an attribute certificate (RFC 5755), not a CA's certificate"
	default:
		return nil
	}
	no := refuseKind(code, what)
	no.Reason = fmt.Sprintf("line %d: %s", line, no.Reason)
	return no
}

// derRefusal knows other things of DER than certificates; nil for none of
// them.
func derRefusal(data []byte) *Refusal {
	s := cryptobyte.String(data)
	var in, first, second cryptobyte.String
	var t1, t2 der.Tag
	if !s.ReadASN1(&in, der.SEQUENCE) {
		if h, ok := readHead(data); ok && h.tag == 0x30 && h.length > len(data)-h.size && h.length > 0 {
			return &Refusal{Code: "truncated",
				Reason: fmt.Sprintf("the DER claims %d bytes and has %d: it is cut off, or it is something else", h.length+h.size, len(data)),
				Remedy: "fetch or copy the file again", Source: "X.690 8.1"}
		}
		return nil
	}
	tbs := in
	if !in.ReadAnyASN1(&first, &t1) || !in.ReadAnyASN1(&second, &t2) {
		return nil
	}
	switch {
	case t1 == der.SEQUENCE && t2 == der.BIT_STRING:
		return refuseKind("public-key", "a public key, not a certificate")
	case t1 == der.INTEGER && t2 == der.INTEGER && len(first) > 32:
		return refuseKind("public-key", "a public key, not a certificate")
	case t1 != der.SEQUENCE || t2 != der.SEQUENCE || !tbs.ReadASN1(&tbs, der.SEQUENCE):
		return nil
	case bytes.HasPrefix(tbs, []byte{0x02, 0x01, 0x00, 0x30}): // RFC 2986 4.1: version 0, a name
		return refuseKind("csr", "a certificate request, not a certificate")
	}
	return crlRefusal(tbs)
}

// crlRefusal knows a TBSCertList by its order: algorithm, name, time (RFC 5280
// 5.1).
func crlRefusal(tbs cryptobyte.String) *Refusal {
	var tag der.Tag
	var x cryptobyte.String
	if !tbs.SkipOptionalASN1(der.INTEGER) || !tbs.SkipASN1(der.SEQUENCE) || !tbs.SkipASN1(der.SEQUENCE) ||
		!tbs.ReadAnyASN1(&x, &tag) || tag != der.UTCTime && tag != der.GeneralizedTime {
		return nil
	}
	return refuseKind("crl", "a revocation list, not a certificate")
}

func refuseNoDER(line int, data []byte) *Refusal {
	where := ""
	if line > 0 {
		where = fmt.Sprintf("line %d: ", line)
	}
	return &Refusal{Code: "no-certificate", Reason: fmt.Sprintf("%sthe %d bytes are no certificate: they are not built as RFC 5280 4.1 says", where, len(data)),
		Remedy: "fetch or copy the file again, or ask the CA's owner for the root as PEM", Source: "RFC 5280 4.1"}
}

// refusal says why a certificate of a good file cannot be a root, nil where it
// can.
func (c *Certificate) refusal() *Refusal {
	name, issuer := c.Name(), c.IssuerText()
	if issuer == "" {
		issuer = "(no name)"
	}
	switch c.Role() {
	case RoleServer:
		if c.SelfIssued() {
			return &Refusal{Code: "not-a-ca", Reason: fmt.Sprintf("%s is its own issuer but not a CA: %s", name, c.basicWords()),
				Remedy: "have the service use a certificate of a CA, and ask for that CA's root", Source: "RFC 5280 4.2.1.9"}
		}
		return &Refusal{Code: "end-entity", Reason: fmt.Sprintf("%s is a server's or a person's certificate, issued by %s: %s", name, issuer, c.basicWords()),
			Remedy: "ask for the root above it: the last certificate of the issuer's chain, whose issuer is itself", Source: "RFC 5280 4.2.1.9"}
	case RoleIssuing:
		return &Refusal{Code: "issuing-ca", Reason: fmt.Sprintf("%s is an issuing CA, not a root: its issuer is %s", name, issuer),
			Remedy: "ask for the root above it, whose issuer is itself; servers send the issuing CA's certificate themselves", Source: "RFC 5280 3.2, 6.1"}
	case RoleCrossSigned:
		return c.notSelfSigned()
	}
	return nil
}

// notSelfSigned tells a cross-signed certificate from a damaged one as far as
// the key identifiers let it.
func (c *Certificate) notSelfSigned() *Refusal {
	if c.namesOtherKey() {
		return &Refusal{Code: "cross-signed",
			Reason: c.Name() + " is self-issued but not self-signed: another key of the same name signed it",
			Remedy: "ask for the self-signed root with this key, or for the root of the key that signed it", Source: "RFC 5280 3.2"}
	}
	return &Refusal{Code: "broken-self-signature",
		Reason: c.Name() + " is self-issued but not self-signed: its signature is not by its own key; it was damaged or altered, or another key of the same name signed it",
		Remedy: "compare the SHA-256 with the CA's owner and fetch the root again", Source: "RFC 5280 3.2; no verifier checks it on an anchor (measured)"}
}

// namesOtherKey reports that the authority key identifier names another key
// than the certificate's own.
func (c *Certificate) namesOtherKey() bool {
	own, aki := c.keyIDs()
	return len(own) > 0 && len(aki) > 0 && !bytes.Equal(own, aki)
}

// keyIDs returns subject and authority key identifier (RFC 5280 4.2.1.1-2).
func (c *Certificate) keyIDs() (subject, authority []byte) {
	if e, ok := c.extension(extSubjectKeyID); ok {
		s := cryptobyte.String(e.Value)
		var v cryptobyte.String
		if s.ReadASN1(&v, der.OCTET_STRING) {
			subject = v
		}
	}
	if e, ok := c.extension(extAuthorityKeyID); ok {
		s := cryptobyte.String(e.Value)
		var v cryptobyte.String
		var there bool
		if s.ReadASN1(&s, der.SEQUENCE) && s.ReadOptionalASN1(&v, &there, der.Tag(0).ContextSpecific()) && there {
			authority = v
		}
	}
	return subject, authority
}

// basicWords says what basicConstraints says.
func (c *Certificate) basicWords() string {
	if b := c.basic(); b.there {
		return "basicConstraints says CA:FALSE"
	}
	return "it has no basicConstraints"
}
