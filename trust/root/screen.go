package root

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// invisible are characters that Unicode calls letters, marks or symbols and
// that nevertheless show nothing (Default_Ignorable_Code_Point and blanks).
var invisible = map[rune]bool{
	0x034f: true, 0x115f: true, 0x1160: true, 0x17b4: true, 0x17b5: true, 0x180b: true, 0x180c: true,
	0x180d: true, 0x180f: true, 0x2800: true, 0x3164: true, 0xffa0: true, 0xfffc: true, 0xfffd: true,
}

// hidden reports characters that must not reach a terminal or a page as they
// are: controls, bidirectional and zero-width ones, blanks other than U+0020,
// unassigned and private ones (RFC 5914 2.4 and RFC 9549 tell the risk).
func hidden(r rune) bool {
	switch {
	case r >= 0x20 && r < 0x7f:
		return false
	case invisible[r], r >= 0xfe00 && r <= 0xfe0f, r >= 0xe0100 && r <= 0xe01ef:
		return true
	case unicode.Is(unicode.Zs, r):
		return true
	}
	return !unicode.IsGraphic(r)
}

// screen builds a text for screens that holds at most limit characters and
// never half an escape.
type screen struct {
	strings.Builder
	n, limit int
	full     bool
}

// plain adds text of our own.
func (b *screen) plain(s string) {
	for _, r := range s {
		b.unit(string(r))
	}
}

// unit adds one character or one whole escape. The last character of a text
// that does not fit is an ellipsis.
func (b *screen) unit(s string) {
	n := utf8.RuneCountInString(s)
	if b.full {
		return
	}
	if b.n+n > b.limit-1 {
		b.full = true
		s, n = "…", 1
	}
	b.WriteString(s)
	b.n += n
}

// foreign adds text of somebody else, escaped: a backslash doubled, hidden
// characters as \xNN, \uNNNN or \UNNNNNNNN, bytes that are no UTF-8 as \xNN.
func (b *screen) foreign(s string) {
	for len(s) > 0 && !b.full {
		r, n := utf8.DecodeRuneInString(s)
		switch {
		case r == utf8.RuneError && n == 1, r < 0x80 && hidden(r):
			b.unit(fmt.Sprintf(`\x%02x`, s[0]))
		case r == '\\':
			b.unit(`\\`)
		case hidden(r) && r > 0xffff:
			b.unit(fmt.Sprintf(`\U%08x`, r))
		case hidden(r):
			b.unit(fmt.Sprintf(`\u%04x`, r))
		default:
			b.unit(string(r))
		}
		s = s[n:]
	}
}

// value adds an attribute's value; a comma or plus sign within gets a
// backslash, as in RFC 4514 2.4, so that it cannot be taken for the next
// attribute.
func (b *screen) value(s string) {
	for {
		i := strings.IndexAny(s, `,+`)
		if i < 0 {
			b.foreign(s)
			return
		}
		b.foreign(s[:i])
		b.unit(`\` + s[i:i+1])
		s = s[i+1:]
	}
}

// Safe escapes a foreign text, such as a name from a certificate or an alias
// from a key store, for screens and pages: one line, no control, direction or
// invisible characters, at most limit characters, the last one an ellipsis
// where something was cut off.
func Safe(s string, limit int) string {
	b := screen{limit: limit}
	b.foreign(s)
	return b.String()
}

// SafeStill is Safe for a text that may have been made safe before: then it
// stays as it is, since escaping it twice would double its backslashes.
func SafeStill(s string, limit int) string {
	if bare := strings.ReplaceAll(s, `\`, ""); Safe(bare, limit) == bare {
		return s
	}
	return Safe(s, limit)
}
