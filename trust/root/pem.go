package root

import (
	"bytes"
	"encoding/base64"
)

// pemBlock is one block of PEM (RFC 7468), however badly written.
type pemBlock struct {
	label      string
	start, end int // in the text, markers and line end included
	body       []byte
	fault      string // "", faultTruncated or faultMarkers
	before     place  // what stands before the BEGIN marker on its line
	headers    bool   // lines with a colon stand before the base64 (RFC 1421 4.4)
}

// place says where on its line a BEGIN marker stands. Most readers want it at
// the start.
type place int

const (
	lineStart place = iota
	afterBOM
	afterBlanks
	afterMarker // right behind another marker
	afterText
)

const (
	faultTruncated = "truncated"
	faultMarkers   = "markers-differ"
)

var (
	markBegin = []byte("-----BEGIN ")
	markEnd   = []byte("-----END ")
	markTail  = []byte("-----")
)

// maxLabel bounds the label of a block; the longest in use has 27 characters.
const maxLabel = 64

// nextPEM finds the next block at or after from. Text around blocks and
// markers without a label are passed over.
func nextPEM(text []byte, from int) (pemBlock, bool) {
	for {
		i := bytes.Index(text[from:], markBegin)
		if i < 0 {
			return pemBlock{}, false
		}
		start := from + i
		label, after, ok := readLabel(text, start+len(markBegin))
		if !ok {
			from = start + len(markBegin)
			continue
		}
		b := pemBlock{label: label, start: start}
		b.before = placeOf(text, start)
		b.close(text, after)
		if colon := bytes.IndexByte(b.body, ':'); colon >= 0 {
			b.headers = true
			b.body = afterHeaders(b.body)
		}
		return b, true
	}
}

func placeOf(text []byte, start int) place {
	if bytes.HasSuffix(text[:start], markTail) {
		return afterMarker
	}
	line := lineBefore(text, start)
	switch {
	case len(line) == 0:
		return lineStart
	case bytes.Equal(line, bomUTF8):
		return afterBOM
	case len(bytes.TrimSpace(line)) == 0:
		return afterBlanks
	}
	return afterText
}

// maxPrefix bounds how far the beginning of a line is looked for, so that many
// markers on one endless line cost no more than others.
const maxPrefix = 256

// lineBefore returns what stands before start on its line.
func lineBefore(text []byte, start int) []byte {
	near := text[max(0, start-maxPrefix):start]
	return near[bytes.LastIndexAny(near, "\r\n")+1:]
}

// readLabel reads "LABEL-----" at i.
func readLabel(text []byte, i int) (label string, after int, ok bool) {
	rest := text[i:min(len(text), i+maxLabel+len(markTail))]
	n := bytes.Index(rest, markTail)
	if n <= 0 || bytes.ContainsAny(rest[:n], "\r\n") {
		return "", i, false
	}
	return string(rest[:n]), i + n + len(markTail), true
}

// close finds the end of a block whose body begins at after.
func (b *pemBlock) close(text []byte, after int) {
	j := bytes.Index(text[after:], markTail)
	if j < 0 {
		b.body, b.end, b.fault = text[after:], len(text), faultTruncated
		return
	}
	stop := after + j
	b.body, b.end = text[after:stop], stop
	if !bytes.HasPrefix(text[stop:], markEnd) {
		b.fault = faultTruncated
		return
	}
	label, end, ok := readLabel(text, stop+len(markEnd))
	if !ok {
		// the file ends within the last marker, or it has fewer dashes
		b.end, b.fault = min(len(text), stop+len(markEnd)), faultTruncated
		return
	}
	if label != b.label {
		b.fault = faultMarkers
	}
	b.end = end
	for b.end < len(text) && (text[b.end] == ' ' || text[b.end] == '\t') {
		b.end++
	}
	if bytes.HasPrefix(text[b.end:], []byte("\r\n")) {
		b.end += 2
	} else if b.end < len(text) && (text[b.end] == '\n' || text[b.end] == '\r') {
		b.end++
	}
}

// afterHeaders cuts off a body what stands before its base64: everything up to
// the last line with a colon, lines that continue it, and one empty line.
func afterHeaders(body []byte) []byte {
	i := bytes.LastIndexByte(body, ':')
	_, body, more := cutLine(body[i+1:])
	for more && len(body) > 0 && (body[0] == ' ' || body[0] == '\t') {
		_, body, more = cutLine(body)
	}
	if line, rest, more := cutLine(body); more && len(line) == 0 {
		return rest
	}
	return body
}

// cutLine cuts at the first CRLF, LF or CR.
func cutLine(b []byte) (line, rest []byte, more bool) {
	i := bytes.IndexAny(b, "\r\n")
	if i < 0 {
		return b, nil, false
	}
	n := i + 1
	if b[i] == '\r' && n < len(b) && b[n] == '\n' {
		n++
	}
	return b[:i], b[n:], true
}

// decode64 decodes base64 with line ends and blanks anywhere in it. missing
// reports that the '=' at the end are not there, which some readers refuse.
func decode64(body []byte) (out []byte, missing, ok bool) {
	clean := body
	if bytes.IndexByte(body, ' ') >= 0 || bytes.IndexByte(body, '\t') >= 0 {
		clean = bytes.Join(bytes.Fields(body), nil)
	}
	out = make([]byte, base64.StdEncoding.DecodedLen(len(clean)))
	n, err := base64.StdEncoding.Decode(out, clean)
	if err == nil {
		return out[:n], false, true
	}
	clean = bytes.TrimRight(bytes.Join(bytes.Fields(body), nil), "=")
	out = make([]byte, base64.RawStdEncoding.DecodedLen(len(clean)))
	n, err = base64.RawStdEncoding.Decode(out, clean)
	return out[:n], true, err == nil
}
