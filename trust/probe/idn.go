package probe

import (
	"errors"
	"fmt"
	"strings"
	"unicode"

	"anchorhold.test/anchorhold/trust/root"
)

// Parameters of Punycode for names (RFC 3492 5).
const (
	punyBase, punyMin, punyMax = 36, 1, 26
	punySkew, punyDamp         = 38, 700
	punyBias, punyFirst        = 72, 0x80
)

// Bounds of names in DNS (RFC 1035 2.3.4).
const (
	maxDNSName  = 253
	maxDNSLabel = 63
)

// ascii returns a host's name as DNS and certificates hold it: in lower case,
// without a final dot, other letters as A-labels (RFC 5890 2.3.2.1). Characters
// for which writing them out takes more than lower case (RFC 5895 2) are
// refused, not guessed at.
func ascii(host string) (string, error) {
	labels := strings.Split(strings.TrimSuffix(strings.ReplaceAll(host, "\u3002", "."), "."), ".")
	for i, label := range labels {
		low := strings.ToLower(label)
		if !plainASCII(low) {
			if !convertible(low) {
				return "", fmt.Errorf("%s is written in letters that this program does not convert: type the name as its certificate has it, beginning with xn--", root.Safe(host, maxName))
			}
			low = "xn--" + punycode([]rune(low))
		}
		if low == "" || len(low) > maxDNSLabel {
			return "", fmt.Errorf("%s is no host's name: a part of it is empty or longer than %d characters", root.Safe(host, maxName), maxDNSLabel)
		}
		labels[i] = low
	}
	name := strings.Join(labels, ".")
	if len(name) > maxDNSName {
		return "", errors.New("the name is longer than 253 characters")
	}
	for _, r := range name {
		if !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-' || r == '.' || r == '_') {
			return "", fmt.Errorf("%s is no host's name: it holds %q", root.Safe(host, maxName), r)
		}
	}
	return name, nil
}

func plainASCII(s string) bool {
	return strings.IndexFunc(s, func(r rune) bool { return r >= 0x80 }) < 0
}

// convertible reports a label of letters and digits alone: no marks, which may
// have to be composed first, and none of the wide and other twins of letters.
func convertible(label string) bool {
	for _, r := range label {
		twin := r >= 0xfb00 || r >= 0x2000 && r < 0x2e80 // presentation forms, symbols, letter-like signs
		if r == '-' || r < 0x80 && (unicode.IsLetter(r) || unicode.IsDigit(r)) {
			continue
		}
		if twin || unicode.Is(unicode.M, r) || !unicode.IsLetter(r) && !unicode.IsDigit(r) || unicode.Is(unicode.Lm, r) {
			return false
		}
	}
	return true
}

// punycode encodes one label (RFC 3492 6.3).
func punycode(in []rune) string {
	var out strings.Builder
	for _, r := range in {
		if r < punyFirst {
			out.WriteRune(r)
		}
	}
	basic := out.Len()
	if basic > 0 {
		out.WriteByte('-')
	}
	next, delta, bias, done := rune(punyFirst), 0, punyBias, basic
	for done < len(in) {
		low := unicode.MaxRune
		for _, r := range in {
			if r >= next && r < low {
				low = r
			}
		}
		delta += int(low-next) * (done + 1)
		next = low
		for _, r := range in {
			if r < next {
				delta++
			}
			if r == next {
				punyNumber(&out, delta, bias)
				bias = punyAdapt(delta, done+1, done == basic)
				delta = 0
				done++
			}
		}
		delta++
		next++
	}
	return out.String()
}

// punyNumber writes one number in digits of varying weight (RFC 3492 3.3).
func punyNumber(out *strings.Builder, q, bias int) {
	digit := func(d int) {
		out.WriteByte("abcdefghijklmnopqrstuvwxyz0123456789"[d])
	}
	for k := punyBase; ; k += punyBase {
		t := min(max(k-bias, punyMin), punyMax)
		if q < t {
			digit(q)
			return
		}
		digit(t + (q-t)%(punyBase-t))
		q = (q - t) / (punyBase - t)
	}
}

// punyAdapt is RFC 3492 6.1.
func punyAdapt(delta, points int, first bool) int {
	if first {
		delta /= punyDamp
	} else {
		delta /= 2
	}
	delta += delta / points
	k := 0
	for ; delta > (punyBase-punyMin)*punyMax/2; k += punyBase {
		delta /= punyBase - punyMin
	}
	return k + (punyBase-punyMin+1)*delta/(delta+punySkew)
}
