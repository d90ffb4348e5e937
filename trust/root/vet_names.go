package root

import (
	"math/big"
	"unicode"
	"unicode/utf8"
)

// serial judges the serial number (RFC 5280 4.1.2.2).
func (v *vetting) serial() {
	s := v.c.Serial
	const source = "RFC 5280 4.1.2.2"
	switch {
	case s.Sign() < 0:
		v.refuse("serial-negative", source+"; measured", newRoot,
			"negative serial number: Go programs cannot read it, OpenSSL, GnuTLS, NSS and Java do")
	case s.Sign() == 0:
		v.note("serial-zero", source, "its serial number is zero, which every library reads")
	case s.Cmp(new(big.Int).Lsh(big.NewInt(1), 159)) >= 0:
		v.warn("serial-long", source, "none: libraries read it", "its serial number has more than 20 octets")
	}
}

// names judges both names (RFC 5280 4.1.2.6; RFC 5914 2.4, RFC 9549 for what
// deceives people).
func (v *vetting) names() {
	if len(readName(v.c.Subject)) == 0 {
		v.refuse("empty-subject", "RFC 5280 4.1.2.6; measured: Java cannot read it", newRoot, "its subject is empty; a CA must have a name")
	}
	var worst nameTrouble
	for _, set := range readName(v.c.Subject) {
		for _, a := range set {
			worst = max(worst, a.trouble())
		}
	}
	shown := v.c.SubjectText()
	switch worst {
	case nameBroken:
		v.refuse("name-encoding", "X.680 41; RFC 5280 4.1.2.4", newRoot, "a part of its name is no valid text of its type: %s", shown)
	case nameHidden:
		v.refuse("name-hidden-characters", "RFC 9549; measured: all libraries take such a name", newRoot,
			"its name has control, direction or invisible characters, shown here as escapes: %s", shown)
	case nameMixed:
		v.warn("name-mixed-scripts", "Unicode UTS 39 5.1", "compare the SHA-256, not the name", "its name mixes scripts, so that letters may not be what they seem: %s", shown)
	case nameForeign:
		v.warn("name-not-ascii", "RFC 5280 4.1.2.4", "compare the SHA-256, not the name", "its name has letters outside ASCII, which look-alikes may use: %s", shown)
	}
}

// nameTrouble is what may be wrong with a name, worse ones higher.
type nameTrouble int

const (
	nameFine nameTrouble = iota
	nameForeign
	nameMixed
	nameHidden
	nameBroken
)

// trouble judges one value of a name.
func (a attribute) trouble() nameTrouble {
	text, ok := a.decode()
	if !ok {
		return nameFine // no text; shown in hexadecimal
	}
	if !utf8.ValidString(text) {
		return nameBroken
	}
	worst, latin, other := nameFine, false, false
	for _, r := range text {
		switch {
		case hidden(r):
			worst = max(worst, nameHidden)
		case r > 0x7f:
			worst = max(worst, nameForeign)
		}
		latin = latin || unicode.Is(unicode.Latin, r)
		other = other || unicode.In(r, unicode.Cyrillic, unicode.Greek, unicode.Armenian, unicode.Cherokee)
	}
	if latin && other {
		worst = max(worst, nameMixed)
	}
	return worst
}
