package root

import (
	"strings"

	der "golang.org/x/crypto/cryptobyte/asn1"
)

// Reception says what one library does with the root, as far as known rules
// tell.
type Reception struct {
	Library string   `json:"library"` // "Go", "OpenSSL", "GnuTLS", "NSS", "Java", "Python (strict)", "pyca/cryptography"
	Loads   bool     `json:"loads"`   // false: the library cannot use the root at all
	Ignores []string `json:"ignores,omitempty"`
	Why     string   `json:"why,omitempty"`
}

// Receptions lists libraries that refuse the root or ignore a constraint of
// it; a library that does neither is not listed. The rules are measured on Go
// 1.26, OpenSSL 3.0, GnuTLS 3.7, NSS 3.87, JDK 17, OpenSSL with X509_STRICT
// as Python 3.13 sets it, and pyca/cryptography 48. The date is not judged,
// nor the level of security that a machine's settings ask for.
func Receptions(c *Certificate) []Reception {
	f := factsOf(c)
	var out []Reception
	for _, l := range libraries {
		r := Reception{Library: l.name, Loads: true}
		for _, why := range l.refuses {
			if why.when(f) {
				r.Loads, r.Why = false, why.text
				break
			}
		}
		if l.name == "Go" && r.Loads && c.X509Err != nil {
			r.Loads, r.Why = false, "crypto/x509 cannot read it: "+Safe(c.X509Err.Error(), maxNameText)
		}
		if r.Loads {
			r.Ignores = f.ignoredBy(l)
		}
		if !r.Loads || len(r.Ignores) > 0 {
			out = append(out, r)
		}
	}
	return out
}

// facts is what the rules ask.
type facts struct {
	*Certificate
	b          basic
	sign       bool // keyUsage absent or with keyCertSign
	signStated bool
	limits     nameLimits
	key        keyFacts
	noSKI      bool
	critical   map[string]bool // extensions that are critical
	unknown    bool
	text       map[der.Tag]bool // string types in the names
	badUTF8    bool
	badPrint   bool // a PrintableString with other characters
	eku        bool
	form       dateForms
}

// dateForms are departures of dates from RFC 5280 4.1.2.5.
type dateForms struct{ fraction, noSeconds, offset, early, reversed bool }

func factsOf(c *Certificate) facts {
	f := facts{Certificate: c, b: c.basic(), limits: c.nameLimits(), key: readKey(c.SPKI), critical: map[string]bool{}, text: map[der.Tag]bool{}}
	bits, there := c.keyUsage()
	f.signStated = there && bits.At(bitKeyCertSign) == 1
	f.sign = !there || f.signStated
	for _, e := range c.Extensions {
		if e.Critical {
			f.critical[e.dotted] = true
		}
	}
	f.unknown = len(c.unknownCritical()) > 0
	_, hasSKI := c.extension(extSubjectKeyID)
	f.noSKI = !hasSKI
	_, f.eku = c.purposes()
	for _, set := range append(readName(c.Subject), readName(c.Issuer)...) {
		for _, a := range set {
			f.text[a.tag] = true
			f.badUTF8 = f.badUTF8 || a.tag == der.UTF8String && a.trouble() == nameBroken
			f.badPrint = f.badPrint || a.tag == der.PrintableString && !printable(string(a.val))
		}
	}
	for _, d := range c.dates {
		f.form.fraction = f.form.fraction || strings.ContainsAny(d.text, ".,")
		f.form.offset = f.form.offset || strings.ContainsAny(d.text, "+-")
		digits := strings.TrimRight(d.text, "Z")
		f.form.noSeconds = f.form.noSeconds || d.tag == der.UTCTime && len(digits) == len("YYMMDDhhmm")
		f.form.early = f.form.early || d.tag == der.GeneralizedTime && d.text < "2050"
	}
	f.form.reversed = c.DatesErr == nil && c.NotAfter.Before(c.NotBefore)
	return f
}

// printable reports the characters of PrintableString (X.680 41.4). The
// asterisk and ampersand are outside it and taken by all libraries that were
// measured.
func printable(s string) bool {
	for _, r := range s {
		if !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune(" '()+,-./:=?*&", r)) {
			return false
		}
	}
	return true
}

// ca reports a CA by basicConstraints and keyUsage, or by the old versions.
func (f facts) ca() bool { return (f.b.ca || f.Version < 3 && !f.b.there) && f.sign }

// v1Exts reports extensions in a version that has none.
func (f facts) v1Exts() bool { return f.Version < 3 && len(f.Extensions) > 0 }

// ignoredBy lists the limits that a library does not enforce on a root.
func (f facts) ignoredBy(l library) []string {
	var out []string
	for _, limit := range []struct {
		name    string
		there   bool
		ignored bool
	}{
		{"name constraints", f.limits.there, l.ignoresAll},
		{"path length", f.b.pathLen >= 0, l.ignoresAll},
		{"dates", true, l.ignoresAll},
		{"extended key usage", f.eku, l.ignoresAll || l.ignoresEKU},
		{"unknown critical extensions", f.unknown, l.ignoresAll || l.ignoresCritical},
	} {
		if limit.there && limit.ignored {
			out = append(out, limit.name)
		}
	}
	return out
}
