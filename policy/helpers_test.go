package policy

import (
	"bytes"
	"encoding/base64"
	"math/rand/v2"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust/root"
)

func encode64(b []byte) string { return base64.RawURLEncoding.EncodeToString(b) }

// testSigner makes the same key for the same number. Keys of tests only.
func testSigner(t testing.TB, kind Kind, number byte) Signer {
	t.Helper()
	s, err := NewSigner(kind, rand.NewChaCha8([32]byte{number}))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// at returns a time of the policy's life in tests.
func at(s string) time.Time {
	for _, layout := range []string{timeLayout, time.DateOnly} {
		if t, err := time.Parse(layout, s); err == nil {
			return t
		}
	}
	panic("no time: " + s)
}

// firstKeyset returns a keyset of the signers, threshold of them.
func firstKeyset(threshold int, signers ...Signer) Keyset {
	k := Keyset{Schema: 1, Policy: "harbour", Serial: 1, Issued: at("2026-01-01"), Threshold: threshold}
	for _, s := range signers {
		k.Keys = append(k.Keys, s.Public())
	}
	return k
}

func mustChain(t testing.TB, first Keyset) Chain {
	t.Helper()
	c, err := NewChain(first)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// document returns a small valid document of the keyset.
func document(k Keyset, version uint64, issued, expires time.Time, roots ...Root) Document {
	if roots == nil {
		roots = []Root{}
	}
	return Document{Schema: 1, Name: k.Policy, Epoch: k.Epoch(), Version: version, Issued: issued, Expires: expires, Roots: roots}
}

// anyRoot returns an entry whose certificate is only bytes: Check and Open do
// not look into it.
func anyRoot(number byte, standing Standing) Root {
	der := bytes.Repeat([]byte{number}, 100)
	r := Root{SHA256: root.Of(der), Label: "Harbour root", Purposes: []string{TLSServer}, Stores: []string{MachineStore},
		Standings: []Step{{Standing: standing, Stage: AllHosts}}}
	if standing == Trusted {
		r.DER = der
	}
	return r
}

func mustSign(t testing.TB, d Document, c Chain, signers ...Signer) []byte {
	t.Helper()
	data, err := Sign(d, c, d.Issued, signers...)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func decode64(t testing.TB, s string) []byte {
	t.Helper()
	b, err := base64.RawURLEncoding.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
