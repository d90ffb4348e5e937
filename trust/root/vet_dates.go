package root

import (
	"time"

	der "golang.org/x/crypto/cryptobyte/asn1"
)

const year = 365 * 24 * time.Hour

// validity judges the dates at the time given (RFC 5280 4.1.2.5).
func (v *vetting) validity() {
	c := v.c
	switch {
	case c.DatesErr != nil:
		v.refuse("dates-unreadable", "RFC 5280 4.1.2.5", newRoot, "%s", c.DatesErr)
	case !c.NotAfter.After(c.NotBefore):
		hint := ""
		if c.dates[1].tag == der.UTCTime && c.NotAfter.Year() < 1970 {
			hint = " (two digits from 50 on mean 19xx)"
		}
		v.refuse("dates-reversed", "RFC 5280 4.1.2.5", newRoot, "it ends on %s%s, before it begins on %s: it is never valid",
			day(c.NotAfter), hint, day(c.NotBefore))
	case v.now.After(c.NotAfter):
		v.refuse("expired", "RFC 5280 4.1.2.5; measured: Java ignores the dates of a root", "ask the CA for the successor",
			"it expired on %s", day(c.NotAfter))
	case v.now.Before(c.NotBefore):
		v.refuse("not-yet-valid", "RFC 5280 4.1.2.5; measured: Java ignores the dates of a root", "place it when it is valid, and check this machine's clock",
			"it is not valid before %s", day(c.NotBefore))
	}
}

// lifetime warns of roots that last too long or not long enough (common
// practice: public roots last 25 years at the median).
func (v *vetting) lifetime() {
	c := v.c
	if c.DatesErr != nil || v.now.After(c.NotAfter) || !c.NotAfter.After(c.NotBefore) {
		return
	}
	if left := c.NotAfter.Sub(v.now); left < year {
		v.warn("ends-soon", "common practice", "place its successor beside it now", "it ends on %s, in %d days", day(c.NotAfter), int(left.Hours()/24))
	}
	if c.NotAfter.Year() >= 9999 {
		v.note("no-end", "RFC 5280 4.1.2.5", "it has no end that is known (9999-12-31)")
	} else if c.NotAfter.Sub(c.NotBefore)/year > 25 {
		v.warn("long-lifetime", "common practice: public roots last 25 years at the median", "plan a successor",
			"it lasts %d years, until %s", int(c.NotAfter.Sub(c.NotBefore)/year), day(c.NotAfter))
	}
}

// dateForm warns of dates that some libraries refuse (RFC 5280 4.1.2.5.1-2).
func (v *vetting) dateForm() {
	for i, what := range []string{"notBefore", "notAfter"} {
		if d := v.c.dates[i]; v.c.DatesErr == nil && !d.asRFC5280() {
			v.warn("date-form", "RFC 5280 4.1.2.5.1, 4.1.2.5.2; measured: OpenSSL and pyca/cryptography refuse some such forms", newRoot,
				"%s is not written as RFC 5280 says: %s", what, Safe(d.text, maxName))
		}
	}
}
