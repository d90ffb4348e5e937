package policy

import (
	"encoding/json"
	"os"
	"slices"
	"testing"
)

// hostile is testdata/policy/jws-hostile-cases.json.
type hostile struct {
	Typ         string                     `json:"typ"`
	Threshold   int                        `json:"threshold"`
	TrustedKeys map[string]json.RawMessage `json:"trusted_keys"`
	PayloadText string                     `json:"payload_text"`
	Cases       []struct {
		ID     string `json:"id"`
		Input  string `json:"input"`
		Expect string `json:"expect"`
	} `json:"cases"`
}

func loadHostile(t testing.TB) (hostile, []Key) {
	t.Helper()
	data, err := os.ReadFile("../testdata/policy/jws-hostile-cases.json")
	if err != nil {
		t.Fatal(err)
	}
	var h hostile
	if err := json.Unmarshal(data, &h); err != nil {
		t.Fatal(err)
	}
	var keys []Key
	for id, raw := range h.TrustedKeys {
		k, err := ParseKey(raw)
		if err != nil {
			t.Fatal(err)
		}
		if k.ID() != id {
			t.Fatalf("key id %s, the vectors say %s", k.ID(), id)
		}
		keys = append(keys, k)
	}
	return h, keys
}

// hostileCodes says by which code each case is refused.
var hostileCodes = map[string]string{
	"one-signature": CodeThreshold, "zero-signatures": CodeNoSignatures, "same-signature-twice": CodeDuplicateKeyID,
	"one-key-two-kids": CodeBadSignature, "unknown-key-only": CodeThreshold, "payload-swapped": CodeBadSignature,
	"signature-from-other-payload": CodeBadSignature, "known-key-bad-signature-plus-two-good": CodeSignatureLength,
	"header-bit-flip": CodeNotJSON,
	"alg-none":        CodeAlgNotAllowed, "alg-None-case": CodeAlgNotAllowed, "alg-HS256-with-public-key": CodeAlgNotAllowed,
	"alg-ES256-for-ed25519-key": CodeAlgNotOfKey, "alg-EdDSA-for-ec-key": CodeAlgNotOfKey, "alg-ES512": CodeAlgNotAllowed,
	"alg-missing": CodeMissingMember, "alg-only-unprotected": CodeUnknownMember, "kid-only-unprotected": CodeUnknownMember,
	"any-unprotected-header": CodeUnknownMember, "protected-absent": CodeUnknownMember,
	"typ-missing": CodeMissingMember, "typ-wrong": CodeWrongTyp,
	"jwk-header": CodeUnknownMember, "jku-header": CodeUnknownMember, "x5c-header": CodeUnknownMember,
	"crit-unknown": CodeUnknownMember, "crit-empty": CodeUnknownMember, "crit-b64-absent": CodeUnknownMember,
	"b64-false-with-crit": CodeUnknownMember, "b64-false-without-crit": CodeUnknownMember,
	"dup-payload-first-wins": CodeDuplicateMember, "dup-payload-last-wins": CodeDuplicateMember,
	"dup-signatures": CodeDuplicateMember, "dup-alg-in-header": CodeDuplicateMember, "dup-escaped-name": CodeDuplicateMember,
	"case-variant-PAYLOAD-added": CodeCaseVariant, "case-variant-only": CodeCaseVariant,
	"unknown-top-member": CodeUnknownMember, "unknown-entry-member": CodeUnknownMember,
	"flattened": CodeUnknownMember, "flattened-and-general": CodeUnknownMember, "compact": CodeNotJSON,
	"array-of-jws":    CodeWrongType,
	"trailing-object": CodeTrailingData, "trailing-garbage": CodeTrailingData, "trailing-nul": CodeTrailingData,
	"bom":            CodeByteOrderMark,
	"base64-newline": CodeBadBase64, "base64-padding": CodeBadBase64, "base64-noncanonical-tail": CodeBadBase64,
	"base64-standard-alphabet": CodeBadBase64,
	"signature-null":           CodeNullMember, "signatures-not-array": CodeWrongType, "payload-number": CodeWrongType, "payload-null": CodeNullMember,
	"es256-zero-r-s": CodeBadSignature, "es256-der-signature": CodeSignatureLength,
	"33-signatures": CodeTooManySignatures, "deep-nesting-in-header": CodeHeaderTooLarge,
	"empty-file": CodeEmpty, "html-error-page": CodeWebPage,
}

func TestHostileCases(t *testing.T) {
	h, keys := loadHostile(t)
	accepted, refused := 0, 0
	for _, c := range h.Cases {
		payload, signers, err := VerifyJWS([]byte(c.Input), h.Typ, keys, h.Threshold)
		if c.Expect == "accept" {
			accepted++
			if err != nil || string(payload) != h.PayloadText || len(signers) < h.Threshold {
				t.Errorf("%s: refused (%v) or another payload, should be accepted", c.ID, err)
			}
			continue
		}
		refused++
		if err == nil {
			t.Errorf("%s: accepted", c.ID)
		}
		if payload != nil || signers != nil {
			t.Errorf("%s: refused, but returns something", c.ID)
		}
		if want, got := hostileCodes[c.ID], CodeOf(err); want != got {
			t.Errorf("%s: code %q, want %q: %v", c.ID, got, want, err)
		}
	}
	if accepted != 6 || refused != 61 {
		t.Errorf("%d cases to accept and %d to refuse were run, the set has 6 and 61", accepted, refused)
	}
}

// The same cases must be judged alike whatever order the keys stand in.
func TestHostileCasesKeyOrder(t *testing.T) {
	h, keys := loadHostile(t)
	slices.Reverse(keys)
	for _, c := range h.Cases {
		if _, _, err := VerifyJWS([]byte(c.Input), h.Typ, keys, h.Threshold); (err == nil) != (c.Expect == "accept") {
			t.Errorf("%s: %v", c.ID, err)
		}
	}
}

func TestThresholdBounds(t *testing.T) {
	h, keys := loadHostile(t)
	good := []byte(h.Cases[0].Input)
	for _, c := range []struct {
		keys      []Key
		threshold int
		code      string
	}{
		{keys, 0, CodeBadThreshold}, {keys, -1, CodeBadThreshold}, {keys, 4, CodeBadThreshold},
		{nil, 1, CodeBadKeyset}, {append(slices.Clone(keys), keys[0]), 2, CodeRepeatedKey},
		{[]Key{{}}, 1, CodeBadKey}, {make([]Key, 33), 1, CodeBadKeyset},
	} {
		if _, _, err := VerifyJWS(good, h.Typ, c.keys, c.threshold); CodeOf(err) != c.code {
			t.Errorf("threshold %d of %d: %v, want %s", c.threshold, len(c.keys), err, c.code)
		}
	}
}
