package dependent

import (
	"bytes"
	"strings"
	"unicode/utf8"
)

// nginx reads the language of nginx.conf: words and blocks, '#' begins a
// comment where a word could begin, quotes stand around whole words, a
// backslash takes a quote, a blank or itself as it is (nginx.org, "Beginner's
// guide"; ngx_conf_file.c).
func nginx(text []byte) (named []mention, whole bool) {
	t := nginxText{text: text, line: 1}
	for {
		words, at := t.directive()
		if words == nil {
			return named, t.whole()
		}
		if len(words) < 2 {
			continue
		}
		switch words[0] {
		case "ssl_certificate":
			named = append(named, name(at, certificate, words[1], "$"))
		case "include":
			named = append(named, name(at, include, words[1], "$"))
		}
	}
}

// nginxText is a configuration that is being read.
type nginxText struct {
	text  []byte
	line  int
	depth int  // blocks that are open
	torn  bool // it ended within quotes, or blocks do not fit
}

func (t *nginxText) whole() bool { return !t.torn && t.depth == 0 }

// directive returns the words up to the next ';', '{' or '}', and the line on
// which they begin; nil at the end of the text.
func (t *nginxText) directive() (words []string, at int) {
	words = []string{}
	for {
		w, end, ok := t.word()
		if !ok {
			return nil, 0
		}
		if end == 0 {
			if len(words) == 0 {
				at = t.line
			}
			words = append(words, w)
			continue
		}
		switch end {
		case '{':
			t.depth++
		case '}':
			if t.depth--; t.depth < 0 {
				t.torn, t.depth = true, 0
			}
		}
		return words, at
	}
}

// word returns the next word, or the sign that ends a directive.
func (t *nginxText) word() (word string, end byte, ok bool) {
	for len(t.text) > 0 {
		switch c := t.text[0]; c {
		case '\n':
			t.line++
			fallthrough
		case ' ', '\t', '\r':
			t.text = t.text[1:]
		case '#':
			n := bytes.IndexByte(t.text, '\n')
			if n < 0 {
				n = len(t.text)
			}
			t.text = t.text[n:]
		case ';', '{', '}':
			t.text = t.text[1:]
			return "", c, true
		case '"', '\'':
			return t.quoted(c)
		default:
			return t.bare(), 0, true
		}
	}
	return "", 0, false
}

func (t *nginxText) quoted(quote byte) (word string, end byte, ok bool) {
	var b strings.Builder
	for i := 1; i < len(t.text); i++ {
		switch c := t.text[i]; {
		case c == quote:
			t.line += bytes.Count(t.text[:i], []byte{'\n'})
			t.text = t.text[i+1:]
			return b.String(), 0, true
		case c == '\\' && i+1 < len(t.text):
			i++
			b.WriteByte(t.text[i])
		default:
			b.WriteByte(c)
		}
	}
	t.torn, t.text = true, nil
	return "", 0, false
}

// bare reads a word without quotes. "${name}" does not open a block.
func (t *nginxText) bare() string {
	var b strings.Builder
	for len(t.text) > 0 {
		c := t.text[0]
		if strings.IndexByte(" \t\r\n;{", c) >= 0 {
			break
		}
		n := 1
		switch {
		case c == '\\' && len(t.text) > 1:
			t.text = t.text[1:]
			_, n = utf8.DecodeRune(t.text)
		case c == '$' && len(t.text) > 1 && t.text[1] == '{':
			n = 2
		}
		b.Write(t.text[:n])
		t.text = t.text[n:]
	}
	return b.String()
}
