package root

import (
	"encoding/json"
	"strings"
	"testing"
)

func TestParseFingerprint(t *testing.T) {
	want := Of([]byte("harbour"))
	hex := want.String()
	var pairs []string
	for i := 0; i < len(hex); i += 2 {
		pairs = append(pairs, strings.ToUpper(hex[i:i+2]))
	}
	for _, s := range []string{hex, strings.ToUpper(hex), strings.Join(pairs, ":"), strings.Join(pairs, " "), "sha256:" + hex,
		"SHA256 Fingerprint=" + strings.Join(pairs, ":"), "SHA-256: " + hex, "  " + hex + "\n"} {
		if got, err := ParseFingerprint(s); err != nil || got != want {
			t.Errorf("%q: %v", s, err)
		}
	}
	for _, s := range []string{"", hex[:62], hex + "00", hex[:40], "sha1:" + hex[:40], strings.Replace(hex, hex[:1], "g", 1)} {
		if got, err := ParseFingerprint(s); err == nil || !got.IsZero() {
			t.Errorf("%q was taken", s)
		}
	}
	if _, err := ParseFingerprint(hex[:40]); err == nil || !strings.Contains(err.Error(), "SHA-1") {
		t.Errorf("a SHA-1 fingerprint is not called that: %v", err)
	}
}

func TestFingerprintText(t *testing.T) {
	want := Of([]byte("harbour"))
	data, err := json.Marshal(want)
	if err != nil || string(data) != `"`+want.String()+`"` {
		t.Fatalf("%s, %v", data, err)
	}
	var got Fingerprint
	if err := json.Unmarshal(data, &got); err != nil || got != want || got.Short() != want.String()[:16] {
		t.Errorf("%v, %v", got, err)
	}
	for _, s := range []string{strings.ToUpper(want.String()), "", want.String()[:62], strings.Repeat("zz", 32)} {
		if err := got.UnmarshalText([]byte(s)); err == nil {
			t.Errorf("%q was taken", s)
		}
	}
}
