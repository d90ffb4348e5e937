package root

import (
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"strings"
	"testing"
	"unicode/utf8"
)

// withCN returns a certificate whose subject is one common name of any type.
func withCN(tag byte, value string) *Certificate {
	cn := tlv(0x30, tlv(6, []byte{0x55, 4, 3}), tlv(tag, []byte(value)))
	return &Certificate{Subject: tlv(0x30, tlv(0x31, cn))}
}

func TestNamesAreSafe(t *testing.T) {
	for _, c := range []struct {
		tag         byte
		value, want string
	}{
		{12, "Harbour Root", "Harbour Root"},
		{12, "Häfen", "Häfen"},
		{12, "港", "港"},
		{12, "a\x00b\x1b[31m\x7f", `a\x00b\x1b[31m\x7f`},
		{12, "a\nb\r\t", `a\x0ab\x0d\x09`},
		{12, "a\u202eb\u200bc\u2066", `a\u202eb\u200bc\u2066`},
		{12, "a\u0085\u009bb", `a\u0085\u009bb`},
		{12, "nb\u00a0sp\u3164\u2800", `nb\u00a0sp\u3164\u2800`},
		{12, "tag\U000e0041", `tag\U000e0041`},
		{12, "bad\xff\xc0\x80", `bad\xff\xc0\x80`},
		{12, `back\slash \x1b`, `back\\slash \\x1b`},
		{20, "Soci\xe9t\xe9", "Société"},
		{20, "\x9b31m", `\u009b31m`},
		{30, "\x00H\x20\x2e\x00i", `H\u202ei`},
		{30, "\xd8\x3d\xde\x00", "😀"},
		{28, "\x00\x00\x00H\x00\x01\xf6\x00", "H😀"},
		{26, "Visible", "Visible"},
		{4, "\x01\x02", "#04020102"},
		{30, "odd", "#1e036f6464"},
		{12, "../../etc/cron.d/x", "../../etc/cron.d/x"},
		{12, strings.Repeat("x", 100), strings.Repeat("x", 63) + "…"},
		{12, strings.Repeat("\x1b", 100), strings.Repeat(`\x1b`, 15) + "…"},
	} {
		if got := withCN(c.tag, c.value).Name(); got != c.want {
			t.Errorf("%q of type %d: %q, want %q", c.value, c.tag, got, c.want)
		}
	}
	for name, subject := range map[string][]byte{
		"empty": tlv(0x30), "no DER": []byte("x"), "nil": nil, "torn": tlv(0x30, tlv(0x31, []byte{0x30, 9})),
		"blank": withCN(12, " ").Subject,
	} {
		if got := (&Certificate{Raw: []byte(name), Subject: subject}).Name(); got == "" || strings.TrimSpace(got) == "" {
			t.Errorf("%s: an empty name", name)
		}
	}
}

func TestSubjectText(t *testing.T) {
	c := parse(t, rootDER(t, "x", func(c *x509.Certificate) {
		c.Subject = pkix.Name{Country: []string{"DE"}, Organization: []string{"Harbour, Lab"}, CommonName: "Root, CN=Other",
			ExtraNames: []pkix.AttributeTypeAndValue{{Type: asn1.ObjectIdentifier{1, 2, 3}, Value: "own"}}}
	}))
	if got, want := c.SubjectText(), `1.2.3=own, CN=Root\, CN=Other, O=Harbour\, Lab, C=DE`; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	if c.IssuerText() != c.SubjectText() {
		t.Error("the issuer of a root differs from its subject")
	}
	long := &Certificate{Subject: tlv(0x30, tlv(0x31, withCN(12, strings.Repeat("\u202e", 5000)).Subject[4:]))}
	if n := utf8.RuneCountInString(long.SubjectText()); n > 400 {
		t.Errorf("%d characters", n)
	}
}

// TestDates: forms of dates, read leniently and told apart (RFC 5280 4.1.2.5).
func TestDates(t *testing.T) {
	for _, c := range []struct {
		tag  byte
		text string
		want string // empty: unreadable
		good bool
	}{
		{0x17, "261125000000Z", "2026-11-25", true}, {0x17, "491231235959Z", "2049-12-31", true}, {0x17, "500101000000Z", "1950-01-01", true},
		{0x17, "991231235959Z", "1999-12-31", true}, {0x17, "680101000000Z", "1968-01-01", true}, {0x17, "2611250000Z", "2026-11-25", false},
		{0x17, "261125000000+0100", "2026-11-24", false}, {0x18, "20500101000000Z", "2050-01-01", true}, {0x18, "99991231235959Z", "9999-12-31", true},
		{0x18, "20361122000219Z", "2036-11-22", false}, {0x18, "20500101000000.5Z", "2050-01-01", false}, {0x17, "261325000000Z", "", false},
		{0x17, "", "", false}, {0x13, "261125000000Z", "", false}, {0x18, "20500101", "", false},
	} {
		good := tlv(0x17, []byte("261125000000Z"))
		cert := &Certificate{}
		cert.readDates(append(tlv(c.tag, []byte(c.text)), good...))
		if c.want == "" {
			if cert.DatesErr == nil || !cert.NotBefore.IsZero() || cert.NotAfter.IsZero() {
				t.Errorf("%q: %v, %v", c.text, cert.NotBefore, cert.DatesErr)
			}
			continue
		}
		if cert.DatesErr != nil || day(cert.NotBefore) != c.want || cert.dates[0].asRFC5280() != c.good {
			t.Errorf("%q: %s, %v, as RFC 5280: %v", c.text, day(cert.NotBefore), cert.DatesErr, cert.dates[0].asRFC5280())
		}
	}
}
