package policy

import (
	"bytes"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

// Bounds of any JSON that comes in. The numbers are common practice: several
// times what the largest honest file needs.
const (
	maxDepth   = 16      // nested objects and arrays
	maxValues  = 1 << 18 // values of one file
	maxMembers = 64      // members of one object
)

type kind byte

const (
	nullKind kind = iota
	boolKind
	numberKind
	stringKind
	arrayKind
	objectKind
)

var kindNames = [...]string{"null", "true or false", "a number", "a string", "an array", "an object"}

func (k kind) String() string { return kindNames[k] }

// node is one JSON value. text is a string's value or a number's literal.
type node struct {
	kind  kind
	text  string
	names []string // of an object, beside items
	items []node
}

// scanner walks JSON as RFC 8259 writes it and no further: encoding/json takes
// duplicate names (the last wins), names of other case, lone surrogates and
// broken UTF-8, and each has been somebody's way past a signature.
type scanner struct {
	data   string
	pos    int
	values int
}

// scan returns the one JSON value of data.
func scan(data []byte) (node, error) {
	var zero node
	trimmed := bytes.TrimLeft(data, " \t\r\n")
	switch {
	case len(trimmed) == 0:
		return zero, refuse(CodeEmpty, "", "the file is empty")
	case bytes.HasPrefix(data, []byte("\xef\xbb\xbf")):
		return zero, refuse(CodeByteOrderMark, "", "the file begins with a byte order mark, which JSON does not have (RFC 8259 8.1)")
	case trimmed[0] == '<':
		return zero, refuse(CodeWebPage, "", "the file is a web page or XML, not JSON")
	}
	s := &scanner{data: string(data)}
	n, err := s.value(1)
	if err != nil {
		return zero, err
	}
	s.space()
	if s.pos != len(s.data) {
		return zero, refuse(CodeTrailingData, "", "something follows the JSON value at byte %d", s.pos)
	}
	return n, nil
}

func (s *scanner) space() {
	for s.pos < len(s.data) {
		switch s.data[s.pos] {
		case ' ', '\t', '\r', '\n':
			s.pos++
		default:
			return
		}
	}
}

func (s *scanner) broken(what string) error {
	return refuse(CodeNotJSON, "", "the file is not JSON: %s at byte %d", what, s.pos)
}

// value reads one value that begins at nesting depth.
func (s *scanner) value(depth int) (node, error) {
	if s.values++; s.values > maxValues {
		return node{}, refuse(CodeTooManyValues, "", "the file has more than %d values", maxValues)
	}
	s.space()
	if s.pos == len(s.data) {
		return node{}, s.broken("it ends early")
	}
	switch c := s.data[s.pos]; {
	case c == '{' || c == '[':
		if depth > maxDepth {
			return node{}, refuse(CodeTooDeep, "", "values are nested more than %d deep at byte %d", maxDepth, s.pos)
		}
		if c == '[' {
			return s.array(depth)
		}
		return s.object(depth)
	case c == '"':
		text, err := s.text()
		return node{kind: stringKind, text: text}, err
	case c == '-' || c >= '0' && c <= '9':
		return s.number()
	}
	for _, word := range []struct {
		text string
		kind kind
	}{{"null", nullKind}, {"true", boolKind}, {"false", boolKind}} {
		if strings.HasPrefix(s.data[s.pos:], word.text) {
			s.pos += len(word.text)
			return node{kind: word.kind, text: word.text}, nil
		}
	}
	return node{}, s.broken("unexpected character")
}

// next takes one of two marks after optional white space and reports whether
// it was the first.
func (s *scanner) next(more, end byte) (bool, error) {
	s.space()
	if s.pos < len(s.data) && (s.data[s.pos] == more || s.data[s.pos] == end) {
		s.pos++
		return s.data[s.pos-1] == more, nil
	}
	return false, s.broken("expected '" + string(more) + "' or '" + string(end) + "'")
}

// empty takes the end mark if it comes next.
func (s *scanner) empty(end byte) bool {
	s.pos++
	s.space()
	if s.pos < len(s.data) && s.data[s.pos] == end {
		s.pos++
		return true
	}
	return false
}

func (s *scanner) array(depth int) (node, error) {
	n := node{kind: arrayKind}
	if s.empty(']') {
		return n, nil
	}
	for {
		item, err := s.value(depth + 1)
		if err != nil {
			return n, err
		}
		n.items = append(n.items, item)
		if more, err := s.next(',', ']'); err != nil || !more {
			return n, err
		}
	}
}

func (s *scanner) object(depth int) (node, error) {
	n := node{kind: objectKind}
	if s.empty('}') {
		return n, nil
	}
	for {
		s.space()
		if s.pos == len(s.data) || s.data[s.pos] != '"' {
			return n, s.broken("expected a member's name")
		}
		name, err := s.text()
		if err != nil {
			return n, err
		}
		if err := s.fresh(n.names, name); err != nil {
			return n, err
		}
		if _, err := s.next(':', ':'); err != nil {
			return n, err
		}
		item, err := s.value(depth + 1)
		if err != nil {
			return n, err
		}
		n.names, n.items = append(n.names, name), append(n.items, item)
		if more, err := s.next(',', '}'); err != nil || !more {
			return n, err
		}
	}
}

// fresh refuses a name that the object has already (RFC 7515 4, RFC 8259 4:
// names should be unique), also in another case.
func (s *scanner) fresh(names []string, name string) error {
	if len(names) == maxMembers {
		return refuse(CodeTooManyValues, "", "an object has more than %d members at byte %d", maxMembers, s.pos)
	}
	for _, other := range names {
		if other == name {
			return refuse(CodeDuplicateMember, "", "member %s stands twice in one object at byte %d", clip(name), s.pos)
		}
		if strings.EqualFold(other, name) {
			return refuse(CodeCaseVariant, "", "members %s and %s of one object differ only in case at byte %d", clip(other), clip(name), s.pos)
		}
	}
	return nil
}

// number takes a literal of RFC 8259 6.
func (s *scanner) number() (node, error) {
	start := s.pos
	digits := func() bool {
		first := s.pos
		for s.pos < len(s.data) && s.data[s.pos] >= '0' && s.data[s.pos] <= '9' {
			s.pos++
		}
		return s.pos > first
	}
	at := func(set string) bool {
		if s.pos < len(s.data) && strings.IndexByte(set, s.data[s.pos]) >= 0 {
			s.pos++
			return true
		}
		return false
	}
	at("-")
	if lead := s.pos; !digits() || s.data[lead] == '0' && s.pos > lead+1 {
		return node{}, s.broken("a number without digits or with a leading zero")
	}
	if at(".") && !digits() {
		return node{}, s.broken("a number that ends in a point")
	}
	if at("eE") {
		at("+-")
		if !digits() {
			return node{}, s.broken("an exponent without digits")
		}
	}
	return node{kind: numberKind, text: s.data[start:s.pos]}, nil
}

// text takes a string. Escapes that name half a surrogate pair have no
// meaning in UTF-8 and are refused (RFC 7493 2.1).
func (s *scanner) text() (string, error) {
	s.pos++
	rest := s.data[s.pos:]
	end := strings.IndexByte(rest, '"')
	if end < 0 {
		return "", s.broken("a string without an end")
	}
	if plain := rest[:end]; strings.IndexByte(plain, '\\') < 0 {
		for i := 0; i < len(plain); i++ {
			if plain[i] < 0x20 {
				return "", s.broken("a control character inside a string")
			}
		}
		if !utf8.ValidString(plain) {
			return "", refuse(CodeBadUTF8, "", "a string at byte %d is not UTF-8", s.pos)
		}
		s.pos += end + 1
		return plain, nil
	}
	return s.escaped()
}

func (s *scanner) escaped() (string, error) {
	var b strings.Builder
	start := s.pos
	for s.pos < len(s.data) {
		c := s.data[s.pos]
		s.pos++
		switch {
		case c == '"':
			if !utf8.ValidString(b.String()) {
				return "", refuse(CodeBadUTF8, "", "a string at byte %d is not UTF-8", start)
			}
			return b.String(), nil
		case c < 0x20:
			return "", s.broken("a control character inside a string")
		case c != '\\':
			b.WriteByte(c)
			continue
		}
		if s.pos == len(s.data) {
			break
		}
		e := s.data[s.pos]
		s.pos++
		if i := strings.IndexByte(`"\/bfnrt`, e); i >= 0 {
			b.WriteByte("\"\\/\b\f\n\r\t"[i])
			continue
		}
		r, ok := rune(0), e == 'u'
		if ok {
			r, ok = s.unit()
		}
		if ok && utf16.IsSurrogate(r) {
			low, pair := rune(0), strings.HasPrefix(s.data[s.pos:], `\u`)
			if pair {
				s.pos += 2
				low, pair = s.unit()
			}
			if r = utf16.DecodeRune(r, low); !pair || r == utf8.RuneError {
				return "", refuse(CodeBadUTF8, "", "an escape at byte %d names half a surrogate pair", s.pos)
			}
		}
		if !ok {
			return "", s.broken("an unknown escape")
		}
		b.WriteRune(r)
	}
	return "", s.broken("a string without an end")
}

// unit takes the four hexadecimal digits of a \u escape.
func (s *scanner) unit() (rune, bool) {
	if len(s.data)-s.pos < 4 {
		return 0, false
	}
	var r rune
	for _, c := range []byte(s.data[s.pos : s.pos+4]) {
		d := strings.IndexByte("0123456789abcdef", c|0x20)
		if d < 0 || c < '0' {
			return 0, false
		}
		r = r<<4 | rune(d)
	}
	s.pos += 4
	return r, true
}
