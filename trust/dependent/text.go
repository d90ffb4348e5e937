package dependent

import (
	"bytes"
	"strings"
)

// line is one line of a configuration as its format means it: joined with those
// that continue it, comments left out. n is where it begins.
type line struct {
	n    int
	text string
}

// joins says how a format continues a line.
type joins int

const (
	never    joins = iota
	slash          // a backslash at the end takes the next line in
	indented       // a line that begins with white space belongs to the one before
)

// lines cuts a text. A line whose first character is one of comments says
// nothing; among indented ones it neither ends what it stands in.
func lines(text []byte, comments string, j joins) []line {
	var all []line
	open := false // the last line goes on
	n := 0
	for raw := range bytes.Lines(text) {
		n++
		s := strings.TrimRight(string(raw), "\r\n")
		bare := strings.TrimSpace(s)
		switch {
		case bare == "":
			open = false
			continue
		case strings.ContainsRune(comments, rune(bare[0])) && !(open && j == slash):
			continue
		}
		goes := j == slash && strings.HasSuffix(bare, `\`)
		if goes {
			bare = strings.TrimRight(strings.TrimSuffix(bare, `\`), " \t")
		}
		if last := len(all) - 1; last >= 0 && (open && j == slash || j == indented && (s[0] == ' ' || s[0] == '\t')) {
			all[last].text += " " + bare
		} else {
			all = append(all, line{n, bare})
		}
		open = goes
	}
	return all
}

// words splits a line at white space. A word may be quoted as a whole or in
// parts, by one of quotes; a backslash takes the next character as it is where
// escapes says so, not within single quotes. A word that begins with '#' and
// all behind it is a comment where comments says so. whole is false where a
// quote is not closed.
func words(text, quotes string, escapes, comments bool) (all []string, whole bool) {
	var word strings.Builder
	begun, quote := false, rune(0)
	skip := false
	for _, r := range text {
		switch {
		case skip:
			word.WriteRune(r)
			skip = false
		case escapes && r == '\\' && quote != '\'':
			begun, skip = true, true
		case quote != 0 && r == quote:
			quote = 0
		case quote != 0:
			word.WriteRune(r)
		case strings.ContainsRune(quotes, r):
			begun, quote = true, r
		case r == ' ' || r == '\t':
			if begun {
				all = append(all, word.String())
			}
			word.Reset()
			begun = false
		case r == '#' && comments && !begun:
			return all, true
		default:
			word.WriteRune(r)
			begun = true
		}
	}
	if begun {
		all = append(all, word.String())
	}
	return all, quote == 0
}

// setting splits "name = value"; a value in quotes loses them.
func setting(text string) (key, value string, found bool) {
	key, value, found = strings.Cut(text, "=")
	return strings.TrimSpace(key), unquoted(strings.TrimSpace(value)), found
}

func unquoted(s string) string {
	if len(s) >= 2 && (s[0] == '"' || s[0] == '\'') && s[len(s)-1] == s[0] {
		return s[1 : len(s)-1]
	}
	return s
}
