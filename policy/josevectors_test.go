package policy

import (
	"bytes"
	"encoding/json"
	"os"
	"strings"
	"testing"
)

type joseVector struct {
	ID            string          `json:"id"`
	Alg           string          `json:"alg"`
	KeyPublic     json.RawMessage `json:"key_public"`
	KeyPrivate    string          `json:"key_private_d"`
	Thumbprint    string          `json:"thumbprint_sha256_b64url"`
	Compact       string          `json:"compact"`
	PayloadText   string          `json:"payload_text"`
	GeneralJSON   json.RawMessage `json:"general_json"`
	FlattenedJSON json.RawMessage `json:"flattened_json"`
}

// The examples of the RFCs: the signature layer agrees with those of our
// algorithms, and the profile refuses every one of them, because none has typ
// and a protected kid.
func TestJOSEVectors(t *testing.T) {
	data, err := os.ReadFile("../testdata/policy/jose-rfc-vectors.json")
	if err != nil {
		t.Fatal(err)
	}
	var set struct {
		Vectors []joseVector `json:"vectors"`
	}
	if err := json.Unmarshal(data, &set); err != nil {
		t.Fatal(err)
	}
	if len(set.Vectors) != 7 {
		t.Fatalf("%d vectors, the set has 7", len(set.Vectors))
	}
	verified := 0
	for _, v := range set.Vectors {
		k, keyErr := ParseKey(v.KeyPublic)
		switch v.Alg {
		case algEdDSA, algES256:
			if keyErr != nil {
				t.Errorf("%s: %v", v.ID, keyErr)
				continue
			}
			v.crypto(t, k)
			verified++
		default:
			if keyErr == nil {
				t.Errorf("%s: its key may sign policies", v.ID)
			}
			k = testSigner(t, Ed25519, 1).key
		}
		inputs := []string{v.Compact, string(v.GeneralJSON), string(v.FlattenedJSON), v.general()}
		for _, in := range inputs {
			if _, _, err := VerifyJWS([]byte(in), TypPolicy, []Key{k}, 1); err == nil {
				t.Errorf("%s: taken: %s", v.ID, in)
			}
		}
	}
	if verified != 3 {
		t.Errorf("%d vectors of our algorithms verified, the set has 3", verified)
	}
}

// general returns the compact form as general JSON.
func (v joseVector) general() string {
	p := strings.Split(v.Compact, ".")
	if len(p) != 3 {
		return ""
	}
	return `{"payload":"` + p[1] + `","signatures":[{"protected":"` + p[0] + `","signature":"` + p[2] + `"}]}`
}

func (v joseVector) crypto(t *testing.T, k Key) {
	if v.Thumbprint != "" && v.Thumbprint != k.ID() {
		t.Errorf("%s: thumbprint %s, the RFC says %s", v.ID, k.ID(), v.Thumbprint)
	}
	var flat struct {
		Protected, Payload, Signature string
	}
	if p := strings.Split(v.Compact, "."); len(p) == 3 {
		flat.Protected, flat.Payload, flat.Signature = p[0], p[1], p[2]
	} else if err := json.Unmarshal(v.FlattenedJSON, &flat); err != nil {
		t.Fatal(err)
	}
	sig := decode64(t, flat.Signature)
	if !k.verify([]byte(flat.Protected+"."+flat.Payload), sig) {
		t.Errorf("%s: the signature does not verify", v.ID)
	}
	// Ed25519 has one signature for each message, so ours must be the RFC's.
	if v.Alg == algEdDSA {
		s, err := NewSigner(Ed25519, bytes.NewReader(decode64(t, v.KeyPrivate)))
		if err != nil || s.key != k {
			t.Fatalf("%s: the private key makes another public one: %v", v.ID, err)
		}
		if ours, err := s.sign([]byte(flat.Protected + "." + flat.Payload)); err != nil || !bytes.Equal(ours, sig) {
			t.Errorf("%s: signed as %x, %v", v.ID, ours, err)
		}
	}
	sig[0]++
	if k.verify([]byte(flat.Protected+"."+flat.Payload), sig) {
		t.Errorf("%s: a broken signature verifies", v.ID)
	}
}
