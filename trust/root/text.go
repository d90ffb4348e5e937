package root

import (
	"bytes"
	"net/url"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

var bomUTF8 = []byte{0xef, 0xbb, 0xbf}

// wideOrder says how text with more than one byte a character is ordered.
type wideOrder int

const (
	noUTF16 wideOrder = iota
	utf16LE
	utf16BE
	utf32LE
	utf32BE
)

// utf16Order recognises UTF-16 and UTF-32, with or without a byte order mark:
// PEM is ASCII, so nearly every other byte is zero then.
func utf16Order(data []byte) wideOrder {
	for _, m := range []struct {
		mark  string
		order wideOrder
	}{{"\xff\xfe\x00\x00", utf32LE}, {"\x00\x00\xfe\xff", utf32BE}, {"\xff\xfe", utf16LE}, {"\xfe\xff", utf16BE}} {
		if bytes.HasPrefix(data, []byte(m.mark)) {
			return m.order
		}
	}
	head := data[:min(len(data), 1024)&^1]
	if len(head) < 16 {
		return noUTF16
	}
	var even, odd int
	for i := 0; i < len(head); i += 2 {
		if head[i] == 0 {
			even++
		}
		if head[i+1] == 0 {
			odd++
		}
	}
	half := len(head) / 2
	switch {
	case odd*10 >= half*9 && even*10 <= half:
		return utf16LE
	case even*10 >= half*9 && odd*10 <= half:
		return utf16BE
	}
	return noUTF16
}

// narrow turns UTF-16 or UTF-32 into UTF-8.
func narrow(data []byte, order wideOrder) []byte {
	width := 2
	if order == utf32LE || order == utf32BE {
		width = 4
	}
	var units []uint16
	var out strings.Builder
	for i := 0; i+width <= len(data); i += width {
		var v uint32
		for j := range width {
			b := data[i+j]
			if order == utf16LE || order == utf32LE {
				b = data[i+width-1-j]
			}
			v = v<<8 | uint32(b)
		}
		if width == 4 {
			out.WriteRune(rune(v))
		} else {
			units = append(units, uint16(v))
		}
	}
	out.WriteString(string(utf16.Decode(units)))
	return bytes.TrimPrefix([]byte(out.String()), bomUTF8)
}

// lookalikes are what word processors, mail programs and web pages put in the
// place of hyphens and blanks, and characters that show nothing.
var lookalikes = func() *strings.Replacer {
	var pairs []string
	for _, r := range "\u2010\u2011\u2012\u2013\u2014\u2015\u2212\ufe58\ufe63\uff0d" {
		pairs = append(pairs, string(r), "-")
	}
	for _, r := range "\u00a0\u2002\u2003\u2007\u2009\u202f\u3000" {
		pairs = append(pairs, string(r), " ")
	}
	for _, r := range "\u200b\u200c\u200d\u200e\u200f\u2060\u00ad\ufeff" {
		pairs = append(pairs, string(r), "")
	}
	for _, r := range "\u2028\u2029\u0085" {
		pairs = append(pairs, string(r), "\n")
	}
	for _, r := range "\u201c\u201d\u201e" {
		pairs = append(pairs, string(r), `"`)
	}
	return strings.NewReplacer(pairs...)
}()

// windows1252 is the part of that code page that matters here, for text that
// is no UTF-8.
var windows1252 = map[byte]string{0x85: "\n", 0x93: `"`, 0x94: `"`, 0x96: "-", 0x97: "-", 0xa0: " ", 0xad: ""}

// marker is a BEGIN or END line of PEM, however the hyphens came out.
var marker = lazy(`(?i)-{1,12}[ \t]*(BEGIN|END)[ \t_]+([A-Z0-9#][A-Z0-9#./ \t_]{1,60}?)[ \t]*-{1,12}`)

// gluedMarkers are two markers without a line end between them.
var gluedMarkers = lazy(`(?i)-{6,12}([ \t]*BEGIN[ \t_])`)

// labelWord is in every label of PEM, and keeps prose from being taken for a
// marker.
var labelWord = lazy(`CERT|KEY|PKCS|CRL|CMS|REQUEST|PGP|PARAM`)

// plain brings text into the one shape that the PEM reader expects: UTF-8,
// markers with five hyphens, real line ends. notes tells what had to be
// changed, in words.
func plain(data []byte) (text []byte, notes []string) {
	note := func(s string) { notes = append(notes, s) }
	if order := utf16Order(data); order != noUTF16 {
		data = narrow(data, order)
		note("the text is UTF-16 or UTF-32; it was decoded")
	}
	if bytes.HasPrefix(data, bomUTF8) {
		data = data[len(bomUTF8):]
		note("a byte order mark before the text was left out")
	}
	if bytes.IndexByte(data, 0) >= 0 {
		data = bytes.ReplaceAll(data, []byte{0}, nil)
		note("NUL bytes were left out")
	}
	if !utf8.Valid(data) {
		var b strings.Builder
		for _, c := range data {
			if s, ok := windows1252[c]; ok {
				b.WriteString(s)
			} else {
				b.WriteByte(c)
			}
		}
		data = []byte(b.String())
	}
	if s := lookalikes.Replace(string(data)); s != string(data) {
		data = []byte(s)
		note("hyphens, blanks or invisible characters of a word processor were put right")
	}
	data, escaped := unescape(data)
	if escaped {
		note("line ends and characters written as escapes were put right")
	}
	if bytes.IndexByte(data, '\n') < 0 && bytes.IndexByte(data, '\r') >= 0 {
		note("the lines end in CR alone")
	}
	if cut := gluedMarkers().ReplaceAll(data, []byte("-----\n-----$1")); !bytes.Equal(cut, data) {
		data = cut
		note("two blocks stood without a line end between them; they were parted")
	}
	text = marker().ReplaceAllFunc(data, spell)
	if !bytes.Equal(text, data) {
		note("the markers of PEM were misspelt and were put right")
	}
	return text, notes
}

// spell writes a marker as RFC 7468 2 does.
func spell(m []byte) []byte {
	p := marker().FindSubmatch(m)
	label := strings.ToUpper(strings.Join(strings.FieldsFunc(string(p[2]), func(r rune) bool {
		return r == ' ' || r == '\t' || r == '_'
	}), " "))
	if !labelWord().MatchString(label) {
		return m
	}
	return []byte("-----" + strings.ToUpper(string(p[1])) + " " + label + "-----")
}

// escapes are line ends and characters as JSON, shells, XML and URLs write
// them; within PEM none of them can mean anything else.
var escapes = strings.NewReplacer(`\r\n`, "\n", `\n`, "\n", `\r`, "\n", `\t`, " ", `\/`, "/",
	`\u002b`, "+", `\u002B`, "+", `\u002f`, "/", `\u002F`, "/", `\u003d`, "=", `\u003D`, "=", `\u000a`, "\n", `\u000d`, "\n",
	`\u000A`, "\n", `\u000D`, "\n", "&#10;", "\n", "&#13;", "\n", "&#xa;", "\n", "&#xA;", "\n", "&#xd;", "\n", "&#xD;", "\n",
	"&#x2B;", "+", "&#43;", "+", "&#x3D;", "=", "&#61;", "=", "&#45;", "-", "&quot;", `"`)

func unescape(data []byte) ([]byte, bool) {
	if !bytes.Contains(data, []byte("BEGIN")) {
		return data, false
	}
	s := string(data)
	if i := strings.Index(s, "BEGIN%20"); i >= 0 || strings.Contains(s, "%0A") {
		if u, err := url.PathUnescape(strings.TrimSpace(s)); err == nil {
			s = u
		}
	} else if i = strings.Index(s, "BEGIN+"); i >= 0 { // form encoding
		if u, err := url.QueryUnescape(strings.TrimSpace(s)); err == nil {
			s = u
		}
	}
	s = escapes.Replace(s)
	return []byte(s), s != string(data)
}
