package root

// What one bad block costs, by reader. OpenSSL stands for every program that
// loads a bundle with it (curl, Python, requests), not for its hash folders.
const (
	killsOpenSSL = "OpenSSL reads no certificate of this file any more"
	killsBoth    = "OpenSSL and GnuTLS read no certificate of this file any more, nor of a bundle that it is copied into"
	onlyGnuTLS   = "only GnuTLS reads this certificate; OpenSSL, Go and Java pass it over"
)

// harms says by fault code which readers lose what. Measured on Debian 12 with
// OpenSSL 3.0.19, GnuTLS 3.7.9, Go 1.26 and OpenJDK 17: one odd block between
// two good certificates, each reader asked for all three.
var harms = map[string]string{
	"empty":               "no reader finds anything; the platform's tool counts it as added all the same",
	"web-page":            "no reader finds anything; the platform's tool counts it as added all the same",
	"no-certificate":      "no reader finds anything; the platform's tool counts it as added all the same",
	"utf-16":              "no reader finds this certificate, and OpenSSL loses those that follow it in a bundle",
	"byte-order-mark":     "Go and Java do not read this certificate; OpenSSL and GnuTLS do",
	"glued":               "OpenSSL reads no certificate of this file any more, and Go and Java lose the certificates on both sides; GnuTLS reads all",
	"indented":            onlyGnuTLS,
	"mid-line":            onlyGnuTLS,
	"one-line":            onlyGnuTLS,
	"cr-only":             "OpenSSL and Go do not read this certificate, nor the one behind it; GnuTLS and Java do",
	"headers":             killsBoth + "; Go passes this one over",
	"blank-lines":         killsOpenSSL + "; GnuTLS, Go and Java read it",
	"markers-differ":      killsOpenSSL + "; Go passes this one over; GnuTLS reads it",
	"no-padding":          killsBoth + "; Go passes this one over; Java reads it",
	"truncated":           killsBoth + "; Go and hash folders lose this one alone",
	"bad-base64":          killsBoth + "; Go and hash folders lose this one alone",
	"no-der":              killsBoth + "; Go and hash folders lose this one alone",
	"trailing-bytes":      "OpenSSL reads this certificate; GnuTLS reads no certificate of this file any more; Go and Java pass it over",
	"trusted-certificate": "OpenSSL reads this certificate, within its trust settings; GnuTLS, Go and Java do not",
	"old-label":           "OpenSSL and Java read this certificate; GnuTLS and Go do not",
	"other-label":         "GnuTLS and Java read this certificate; OpenSSL and Go do not",
	"csr":                 "GnuTLS reads no certificate of this file any more; Java stumbles over it; OpenSSL and Go pass it over",
	"other-block":         "Java stumbles over it; OpenSSL, GnuTLS and Go pass it over",
	"private-key":         "the key is readable for whoever reads the store, and Java takes nothing from this file",
	"der":                 "only Java reads a certificate in DER under the name of a PEM file",
	"pkcs7":               "no reader of a bundle finds its certificates",
	"pkcs12-store":        "without its password Java finds no anchor in it, and every TLS connection of Java fails",
	"torn-store":          "Java cannot open this store, and every TLS connection of Java fails",
}
