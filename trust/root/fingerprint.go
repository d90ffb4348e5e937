package root

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
)

// Fingerprint is the SHA-256 of a certificate's DER. It is the only name by
// which anchorhold knows a root: subjects and serial numbers may be shared by
// two roots, a fingerprint may not.
type Fingerprint [sha256.Size]byte

// Of returns the fingerprint of a certificate given as DER.
func Of(der []byte) Fingerprint { return sha256.Sum256(der) }

// String returns all 64 hexadecimal digits in lower case.
func (f Fingerprint) String() string { return hex.EncodeToString(f[:]) }

// Short returns the first 16 hexadecimal digits, for screens. It identifies
// nothing: decisions are made on the whole fingerprint.
func (f Fingerprint) Short() string { return f.String()[:16] }

// IsZero reports whether f was never set.
func (f Fingerprint) IsZero() bool { return f == Fingerprint{} }

// MarshalText implements [encoding.TextMarshaler].
func (f Fingerprint) MarshalText() ([]byte, error) { return []byte(f.String()), nil }

// UnmarshalText implements [encoding.TextUnmarshaler]. It takes exactly what
// MarshalText writes; see [ParseFingerprint] for what people type.
func (f *Fingerprint) UnmarshalText(text []byte) error {
	if len(text) != 2*len(f) || strings.ToLower(string(text)) != string(text) {
		return fmt.Errorf("a fingerprint is 64 lower-case hexadecimal digits, not %d characters of %q", len(text), clip(string(text), 80))
	}
	_, err := hex.Decode(f[:], text)
	return err
}

// ParseFingerprint reads a SHA-256 fingerprint as people and tools write it:
// upper or lower case, with or without colons, blanks or a "sha256:" mark.
func ParseFingerprint(s string) (Fingerprint, error) {
	t := strings.ToLower(strings.TrimSpace(s))
	for _, mark := range []string{"sha-256", "sha256"} {
		if rest, ok := strings.CutPrefix(t, mark); ok {
			t = strings.TrimPrefix(strings.TrimLeft(rest, " "), "fingerprint")
			t = strings.TrimLeft(t, " :=")
			break
		}
	}
	t = strings.Map(func(r rune) rune {
		if r == ':' || r == ' ' || r == '\t' || r == '-' {
			return -1
		}
		return r
	}, t)
	var f Fingerprint
	if len(t) == 40 {
		return f, fmt.Errorf("this is a SHA-1 fingerprint (40 digits); a SHA-256 one of 64 digits is needed")
	}
	if len(t) != 2*len(f) {
		return f, fmt.Errorf("a SHA-256 fingerprint has 64 hexadecimal digits, this has %d", len(t))
	}
	if _, err := hex.Decode(f[:], []byte(t)); err != nil {
		return Fingerprint{}, fmt.Errorf("a fingerprint has hexadecimal digits only: %w", err)
	}
	return f, nil
}

func clip(s string, n int) string {
	if len(s) <= n {
		return s
	}
	return s[:n] + "..."
}
