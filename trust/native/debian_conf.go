package native

import (
	"bytes"
	"strings"
)

// conf is /etc/ca-certificates.conf, read as update-ca-certificates reads it:
// an empty line or '#' first says nothing, '!' first deselects a file of the
// vendor's folder, anything else selects one. Blanks around a name do not
// count, and a last line without an end is not seen (sed and 'read' of the
// script in ca-certificates 20230311 to 20260816).
type conf struct {
	data  []byte
	lines []confLine
}

type confLine struct {
	start, end int // in data, the line's end included
	name       string
	use        bool // selects
	drop       bool // deselects
}

func parseConf(data []byte) conf {
	c := conf{data: data}
	for start := 0; start < len(data); {
		end := bytes.IndexByte(data[start:], '\n')
		if end < 0 {
			break
		}
		end += start + 1
		l := confLine{start: start, end: end}
		text := string(data[start : end-1])
		switch {
		case text == "" || text[0] == '#':
		case text[0] == '!':
			l.drop, l.name = true, strings.Trim(text[1:], " \t")
		default:
			l.use, l.name = true, strings.Trim(text, " \t")
		}
		c.lines = append(c.lines, l)
		start = end
	}
	return c
}

// selected returns the names of selecting lines, in order, each once.
func (c conf) selected() []string {
	var names []string
	seen := map[string]bool{}
	for _, l := range c.lines {
		if l.use && l.name != "" && !seen[l.name] {
			seen[l.name] = true
			names = append(names, l.name)
		}
	}
	return names
}

// deselected returns the names that only deselecting lines have.
func (c conf) deselected() []string {
	use := map[string]bool{}
	for _, l := range c.lines {
		use[l.name] = use[l.name] || l.use
	}
	var names []string
	for _, l := range c.lines {
		if l.drop && l.name != "" && !use[l.name] {
			use[l.name] = true
			names = append(names, l.name)
		}
	}
	return names
}

// deselect returns the file with a '!' before every line that selects name. A
// name that no line has gets one, before a last line without an end: ending
// that would make the tool see it. Every other byte stays.
func (c conf) deselect(name string) []byte {
	var out []byte
	at, found := 0, false
	for _, l := range c.lines {
		if l.name != name || !l.use && !l.drop {
			continue
		}
		found = true
		if l.use {
			out = append(append(out, c.data[at:l.start]...), '!')
			at = l.start
		}
	}
	if !found {
		at = bytes.LastIndexByte(c.data, '\n') + 1
		out = append(append(out, c.data[:at]...), "!"+name+"\n"...)
	}
	return append(out, c.data[at:]...)
}

// choose reverses deselect: it takes the '!' off the lines that deselect name.
func (c conf) choose(name string) []byte {
	var out []byte
	at := 0
	for _, l := range c.lines {
		if l.drop && l.name == name {
			out = append(out, c.data[at:l.start]...)
			at = l.start + 1
		}
	}
	return append(out, c.data[at:]...)
}
