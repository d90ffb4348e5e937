package main

import (
	"fmt"
	"io"
	"strconv"
	"strings"
)

// countMark begins a line that a test prints to be seen whatever became of it:
// "counted: " and fields NAME=VALUE. What it tried is part of what it proves.
const countMark = "counted: "

// summed are the fields whose values are added up over all lines.
var summed = []string{"found", "tried", "broken", "overlaps", "samples"}

// counts are the sums of the fields over the lines that were seen.
type counts struct {
	lines int
	sums  map[string]int
}

// take passes a counting line on to w as soon as it comes. Other lines are none
// of its business. A test that runs in a namespace of its own has its output
// told again, with blanks before it.
func (c *counts) take(output string, w io.Writer) {
	line := strings.TrimSpace(output)
	if !strings.HasPrefix(line, countMark) {
		return
	}
	fmt.Fprintln(w, line)
	c.lines++
	if c.sums == nil {
		c.sums = map[string]int{}
	}
	for _, field := range strings.Fields(line) {
		key, value, _ := strings.Cut(field, "=")
		if n, err := strconv.Atoi(value); err == nil {
			c.sums[key] += n
		}
	}
}

// total is one line over all of them, or "" where nothing was counted.
func (c *counts) total() string {
	if c.lines == 0 {
		return ""
	}
	line := "counted in all:"
	for _, key := range summed {
		line += fmt.Sprintf(" %s=%d", key, c.sums[key])
	}
	return line
}
