package root

import (
	"fmt"
	"time"

	"golang.org/x/crypto/cryptobyte"
	der "golang.org/x/crypto/cryptobyte/asn1"
)

// rawTime is a date as it stands in the certificate.
type rawTime struct {
	tag  der.Tag
	text string
}

// readDates fills the validity. It takes more forms than RFC 5280 4.1.2.5
// allows (no seconds, an offset, fractions), because certificates with them
// are in use; vetting names the form.
func (c *Certificate) readDates(s cryptobyte.String) {
	into := [2]*time.Time{&c.NotBefore, &c.NotAfter}
	for i, what := range []string{"notBefore", "notAfter"} {
		var v cryptobyte.String
		var tag der.Tag
		if !s.ReadAnyASN1(&v, &tag) {
			c.DatesErr = fmt.Errorf("%s is missing", what)
			return
		}
		c.dates[i] = rawTime{tag, clip(string(v), 64)}
		t, ok := c.dates[i].time()
		if !ok {
			c.DatesErr = fmt.Errorf("%s cannot be read as a date", what)
			continue
		}
		*into[i] = t
	}
}

func (r rawTime) time() (time.Time, bool) {
	layouts := []string{"060102150405Z0700", "0601021504Z0700"}
	switch r.tag {
	case der.UTCTime:
	case der.GeneralizedTime:
		layouts = []string{"20060102150405Z0700", "200601021504Z0700"}
	default:
		return time.Time{}, false
	}
	for _, layout := range layouts {
		t, err := time.Parse(layout, r.text)
		if err != nil {
			continue
		}
		// RFC 5280 4.1.2.5.1: two digits from 50 on mean 19xx. Go turns at 69.
		if r.tag == der.UTCTime && t.Year() >= 2050 {
			t = t.AddDate(-100, 0, 0)
		}
		return t.UTC(), true
	}
	return time.Time{}, false
}

// asRFC5280 reports whether the date has the form of RFC 5280 4.1.2.5.1 and
// 4.1.2.5.2: seconds, Z, no fraction, UTCTime up to 2049.
func (r rawTime) asRFC5280() bool {
	t, ok := r.time()
	if !ok {
		return false
	}
	if r.tag == der.UTCTime {
		return len(r.text) == len("YYMMDDhhmmssZ") && r.text[len(r.text)-1] == 'Z'
	}
	return len(r.text) == len("YYYYMMDDhhmmssZ") && r.text[len(r.text)-1] == 'Z' && t.Year() >= 2050
}
