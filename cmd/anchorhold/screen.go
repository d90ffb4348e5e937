package main

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"anchorhold.test/anchorhold/trust/root"
)

// tint is how a cell is coloured where the terminal wants it. Words carry the
// meaning; colour only helps the eye.
type tint string

const (
	plain  tint = ""
	good   tint = "\x1b[32m"
	bad    tint = "\x1b[31m"
	uneasy tint = "\x1b[33m"
	faint  tint = "\x1b[2m"
	reset       = "\x1b[0m"
)

type cell struct {
	text string
	tint tint
}

// table lays out rows in columns, each row with remarks below it.
type table struct {
	head []string
	rows [][]cell
	say  [][]remark
}

// remark is one line under a row: why it is so, what comes next, what to note.
type remark struct {
	kind string // "why", "next", "note"
	text string
}

func (t *table) add(say []remark, cells ...cell) {
	for i := range cells {
		cells[i].text = onScreen(cells[i].text)
	}
	t.rows = append(t.rows, cells)
	t.say = append(t.say, say)
}

func (t *table) write(w io.Writer, colour bool) {
	width := make([]int, len(t.head))
	for i, h := range t.head {
		width[i] = utf8.RuneCountInString(h)
	}
	for _, row := range t.rows {
		for i, c := range row {
			width[i] = max(width[i], utf8.RuneCountInString(c.text))
		}
	}
	line := func(cells []cell) {
		var b strings.Builder
		for i, c := range cells {
			text := c.text
			if i < len(cells)-1 {
				text += strings.Repeat(" ", width[i]-utf8.RuneCountInString(c.text)+3)
			}
			b.WriteString(paint(text, c.tint, colour))
		}
		fmt.Fprintln(w, strings.TrimRight(b.String(), " "))
	}
	head := make([]cell, len(t.head))
	for i, h := range t.head {
		head[i] = cell{h, faint}
	}
	line(head)
	for i, row := range t.rows {
		line(row)
		for _, r := range t.say[i] {
			r.write(w, colour)
		}
	}
}

func (r remark) write(w io.Writer, colour bool) {
	for line := range strings.SplitSeq(strings.TrimRight(r.text, "\n"), "\n") {
		fmt.Fprintf(w, "    %s %s\n", paint(fmt.Sprintf("%-4s", r.kind), faint, colour), onScreen(here(line)))
	}
}

// onScreen makes one line fit for a terminal, whoever wrote it: file names,
// policies, certificates and tools have their say in it.
func onScreen(line string) string { return root.SafeStill(line, maxOnScreen) }

// maxOnScreen bounds a line on a screen, in characters.
const maxOnScreen = 4000

func paint(text string, t tint, colour bool) string {
	if !colour || t == plain {
		return text
	}
	return string(t) + text + reset
}

func remarks(kind string, texts []string) []remark {
	var r []remark
	for _, t := range texts {
		r = append(r, remark{kind, t})
	}
	return r
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
