package policy

import (
	"bytes"
	"encoding/asn1"
	"encoding/pem"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/iotest"
)

func TestSignerFiles(t *testing.T) {
	s, pass := testSigner(t, P256, 1), []byte("harbour lights")
	enc, err := s.PEM(pass)
	if err != nil {
		t.Fatal(err)
	}
	plain, err := s.PlainPEM()
	if err != nil {
		t.Fatal(err)
	}
	block, _ := pem.Decode(enc)
	as := func(label string, der []byte) []byte { return pem.EncodeToMemory(&pem.Block{Type: label, Bytes: der}) }
	for name, c := range map[string]struct {
		file, pass []byte
		code       string
	}{
		"right":                  {enc, pass, ""},
		"plain":                  {plain, nil, ""},
		"plain, with pass":       {plain, pass, ""},
		"wrong":                  {enc, []byte("harbour light"), CodePassphrase},
		"none":                   {enc, nil, CodePassphrase},
		"empty":                  {nil, nil, CodeKeyFile},
		"large":                  {make([]byte, maxKeyFile+1), nil, CodeTooLarge},
		"traditional":            {as("EC PRIVATE KEY", block.Bytes), nil, CodeKeyFile},
		"encrypted, named plain": {as("PRIVATE KEY", block.Bytes), nil, CodeKeyFile},
		"plain, named encrypted": {as("ENCRYPTED PRIVATE KEY", must(pem.Decode(plain)).Bytes), pass, CodeKeyFile},
		"cut":                    {as("ENCRYPTED PRIVATE KEY", block.Bytes[:len(block.Bytes)-1]), pass, CodeKeyFile},
		"garbage":                {as("ENCRYPTED PRIVATE KEY", []byte("harbour")), pass, CodeKeyFile},
	} {
		got, err := LoadSigner(c.file, c.pass)
		if CodeOf(err) != c.code {
			t.Errorf("%s: %v, want %q", name, err, c.code)
		}
		if err == nil && got.key != s.key {
			t.Errorf("%s: another key", name)
		}
	}
	if _, err := s.PEM(nil); CodeOf(err) != CodePassphrase {
		t.Errorf("no passphrase: %v", err)
	}
}

func must(b *pem.Block, _ []byte) *pem.Block { return b }

// What an encrypted key asks for is bounded before it is done, and what would
// make the library panic or take another cipher for its own is refused.
func TestSignerEncryptionBounds(t *testing.T) {
	enc, err := testSigner(t, Ed25519, 1).PEM([]byte("x"))
	if err != nil {
		t.Fatal(err)
	}
	block, _ := pem.Decode(enc)
	type kdf struct {
		Salt []byte
		N    int
	}
	type scrypt struct {
		Salt    []byte
		N, R, P int
	}
	for name, change := range map[string]func(*encryptedKey){
		"rounds":        func(e *encryptedKey) { e.Algorithm.Params.KDF.Params = raw(t, kdf{[]byte("salt"), maxKDFRounds + 1}) },
		"no rounds":     func(e *encryptedKey) { e.Algorithm.Params.KDF.Params = raw(t, kdf{[]byte("salt"), 0}) },
		"scrypt memory": func(e *encryptedKey) { e.scrypt(raw(t, scrypt{[]byte("salt"), 1 << 22, 8, 1})) },
		"scrypt huge":   func(e *encryptedKey) { e.scrypt(raw(t, scrypt{[]byte("salt"), 1 << 28, 1 << 28, 1})) },
		"scrypt zero":   func(e *encryptedKey) { e.scrypt(raw(t, scrypt{[]byte("salt"), 0, 0, 0})) },
		"scrypt time":   func(e *encryptedKey) { e.scrypt(raw(t, scrypt{[]byte("salt"), 1 << 10, 8, 1000})) },
		"other kdf":     func(e *encryptedKey) { e.Algorithm.Params.KDF.ID = asn1.ObjectIdentifier{1, 2, 3} },
		"other scheme":  func(e *encryptedKey) { e.Algorithm.ID = asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 5, 3} },
		"GCM": func(e *encryptedKey) {
			e.Algorithm.Params.Cipher.ID = asn1.ObjectIdentifier{2, 16, 840, 1, 101, 3, 4, 1, 46}
		},
		"short IV":     func(e *encryptedKey) { e.Algorithm.Params.Cipher.Params = raw(t, []byte("short")) },
		"half a block": func(e *encryptedKey) { e.Data = e.Data[:20] },
		"no data":      func(e *encryptedKey) { e.Data = nil },
	} {
		var e encryptedKey
		if _, err := asn1.Unmarshal(block.Bytes, &e); err != nil {
			t.Fatal(err)
		}
		change(&e)
		der, err := asn1.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		file := pem.EncodeToMemory(&pem.Block{Type: "ENCRYPTED PRIVATE KEY", Bytes: der})
		if _, err := LoadSigner(file, []byte("x")); CodeOf(err) != CodeKeyFile {
			t.Errorf("%s: %v, want %s", name, err, CodeKeyFile)
		}
	}
}

func (e *encryptedKey) scrypt(params asn1.RawValue) {
	e.Algorithm.Params.KDF = algorithm{asn1.ObjectIdentifier{1, 3, 6, 1, 4, 1, 11591, 4, 11}, params}
}

func raw(t *testing.T, v any) asn1.RawValue {
	t.Helper()
	der, err := asn1.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return asn1.RawValue{FullBytes: der}
}

func TestSignerPrintsNoKey(t *testing.T) {
	seed := bytes.Repeat([]byte{0xA7}, 32)
	for _, kind := range []Kind{Ed25519, P256} {
		s, err := NewSigner(kind, bytes.NewReader(seed))
		if err != nil {
			t.Fatal(err)
		}
		for _, verb := range []string{"%v", "%+v", "%#v", "%s", "%x", "%d", "%q"} {
			for _, v := range []any{s, &s, struct{ Signer Signer }{s}, []Signer{s}} {
				out := fmt.Sprintf(verb, v)
				if strings.Contains(strings.ToLower(out), "a7a7") || strings.Contains(out, "167 167") || !strings.Contains(out, s.key.id) {
					t.Errorf("%s prints %q", verb, out)
				}
			}
		}
	}
}

func TestNewSigner(t *testing.T) {
	if _, err := NewSigner(Ed25519, iotest.ErrReader(errors.New("no entropy"))); err == nil {
		t.Error("a key without random numbers")
	}
	if _, err := NewSigner("P-384", bytes.NewReader(make([]byte, 64))); CodeOf(err) != CodeBadKey {
		t.Errorf("P-384: %v", err)
	}
	// Zero is no P-256 key; the next 32 bytes are taken.
	s, err := NewSigner(P256, bytes.NewReader(append(make([]byte, 32), bytes.Repeat([]byte{1}, 32)...)))
	if err != nil || s.key.IsZero() {
		t.Errorf("second try: %v", err)
	}
	if _, err := NewSigner(P256, bytes.NewReader(make([]byte, 1024))); err == nil {
		t.Error("a key of zeros")
	}
	if _, err := (Signer{}).sign(nil); CodeOf(err) != CodeBadKey {
		t.Errorf("the zero signer: %v", err)
	}
}
