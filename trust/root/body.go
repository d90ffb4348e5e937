package root

import (
	"bytes"
	"encoding/base64"
	"strings"
)

// bodyBytes decodes the body of a block as leniently as can be without
// guessing: quotation marks, prefixes of quoted mail, comment signs, the
// continuation signs of source code and quoted-printable are left out, the
// URL alphabet is taken. Whether the result is whole, its DER tells.
func bodyBytes(text []byte, b pemBlock) (der []byte, odd, ok bool) {
	if der, missing, ok := decode64(b.body); ok {
		return der, missing, true
	}
	prefix := bytes.TrimSpace(lineBefore(text, b.start))
	var clean strings.Builder
	body := b.body
	for more := true; more; {
		var l []byte
		l, body, more = cutLine(body)
		clean.Write(cleanLine(l, prefix))
	}
	s := strings.ReplaceAll(clean.String(), "=3D", "=") // RFC 2045 6.7
	s = strings.NewReplacer("-", "+", "_", "/", "=", "").Replace(s)
	der, err := base64.RawStdEncoding.DecodeString(s)
	return der, true, err == nil
}

// cleanLine takes one line out of its wrapping.
func cleanLine(l, prefix []byte) []byte {
	l = bytes.TrimSpace(l)
	l = bytes.TrimRight(l, " \t;,")
	if n := len(l); n > 1 && l[n-1] == '+' && bytes.ContainsAny(l[:n-1], `"'`) {
		l = l[:n-1] // string + string
	}
	l = bytes.TrimPrefix(l, prefix)
	l = bytes.TrimLeft(l, "> |\t")
	return bytes.Trim(l, " \t\"'`\\,;")
}

// bareBase64 decodes a text that is nothing but base64 or hexadecimal digits,
// perhaps in quotation marks or behind the head of a data URL (RFC 2397).
func bareBase64(text []byte) (out []byte, form string) {
	t := bytes.TrimSpace(text)
	if bytes.HasPrefix(t, []byte("data:")) {
		if i := bytes.Index(t[:min(len(t), 200)], []byte(";base64,")); i >= 0 {
			t = t[i+len(";base64,"):]
		}
	}
	s := strings.Join(strings.Fields(string(bytes.Trim(t, "\"'`"))), "")
	s = strings.TrimRight(s, "=")
	if len(s) < 32 {
		return nil, ""
	}
	if b, ok := fromHex(s); ok {
		return b, "hexadecimal digits"
	}
	b, err := base64.RawStdEncoding.DecodeString(strings.NewReplacer("-", "+", "_", "/").Replace(s))
	if err != nil {
		return nil, ""
	}
	return b, "base64 without markers"
}

// fromHex decodes hexadecimal digits with or without colons or 0x, if they
// begin as DER or PEM does.
func fromHex(s string) ([]byte, bool) {
	s = strings.ToLower(strings.TrimPrefix(strings.ReplaceAll(s, ":", ""), "0x"))
	if len(s)%2 != 0 || !strings.HasPrefix(s, "30") && !strings.HasPrefix(s, "2d2d") {
		return nil, false
	}
	out := make([]byte, 0, len(s)/2)
	for i := 0; i < len(s); i += 2 {
		hi, lo := strings.IndexByte("0123456789abcdef", s[i]), strings.IndexByte("0123456789abcdef", s[i+1])
		if hi < 0 || lo < 0 {
			return nil, false
		}
		out = append(out, byte(hi<<4|lo))
	}
	return out, true
}
