package policy

import (
	"slices"
	"strings"
	"testing"

	jose "github.com/go-jose/go-jose/v4"
	"github.com/lestrrat-go/jwx/v3/jwa"
	"github.com/lestrrat-go/jwx/v3/jws"
)

// byGoJose and byJWX ask another library for one key: is there a signature of
// it over a payload? Neither counts keys, which is why they are only asked
// here.
func byGoJose(data []byte, k Key) (payload []byte, ok bool) {
	pub, err := k.public()
	if err != nil {
		return nil, false
	}
	obj, err := jose.ParseSignedJSON(string(data), []jose.SignatureAlgorithm{jose.EdDSA, jose.ES256})
	if err != nil {
		return nil, false
	}
	_, _, payload, err = obj.VerifyMulti(pub)
	return payload, err == nil
}

func byJWX(data []byte, k Key) (payload []byte, ok bool) {
	pub, err := k.public()
	if err != nil {
		return nil, false
	}
	for _, name := range k.algs() {
		alg, known := jwa.LookupSignatureAlgorithm(name)
		if !known {
			continue
		}
		if payload, err := jws.Verify(data, jws.WithKey(alg, pub), jws.WithCritValidation(true)); err == nil {
			return payload, true
		}
	}
	return nil, false
}

// disagreements are kinds of envelopes that we take and a library does not,
// each with the reason.
var disagreements = []struct {
	library string
	why     string
	applies func(m *message, k Key) bool
}{
	{"go-jose", "does not know the name Ed25519 of RFC 9864", func(m *message, k Key) bool {
		return slices.ContainsFunc(m.entries, func(s signature) bool { return s.Alg == algEd25519 })
	}},
}

func explained(library string, m *message, k Key) bool {
	for _, d := range disagreements {
		if d.library == library && d.applies(m, k) {
			return true
		}
	}
	return false
}

// agree checks that whatever we accept, both libraries accept for each key
// that we counted, with the same payload.
func agree(t *testing.T, data []byte, typ string, keys []Key, threshold int) bool {
	t.Helper()
	payload, signers, err := VerifyJWS(data, typ, keys, threshold)
	if err != nil {
		if payload != nil || signers != nil {
			t.Fatalf("refused, but returns something: %v", err)
		}
		return false
	}
	var e envelope
	if err := decodeStrict(data, MaxFile, "", &e); err != nil {
		t.Fatal(err)
	}
	m, err := e.open("", typ)
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range keys {
		if !slices.Contains(signers, k.ID()) {
			continue
		}
		if got, ok := byGoJose(data, k); (!ok || string(got) != string(payload)) && !explained("go-jose", m, k) {
			t.Errorf("we accept %s, go-jose does not: %s", k, data)
		}
		if got, ok := byJWX(data, k); (!ok || string(got) != string(payload)) && !explained("jwx", m, k) {
			t.Errorf("we accept %s, jwx does not: %s", k, data)
		}
	}
	return true
}

func TestOracles(t *testing.T) {
	h, keys := loadHostile(t)
	accepted := 0
	for _, c := range h.Cases {
		if agree(t, []byte(c.Input), h.Typ, keys, h.Threshold) {
			accepted++
		}
	}
	if accepted != 6 {
		t.Errorf("%d cases accepted and compared, the set has 6", accepted)
	}
}

// A name of RFC 9864 is taken, and the reason in the table is the true one.
func TestEd25519Name(t *testing.T) {
	s := testSigner(t, Ed25519, 1)
	e := newEnvelope([]byte("{}"))
	head, err := marshal(header{Alg: algEd25519, Kid: s.key.id, Typ: TypPolicy})
	if err != nil {
		t.Fatal(err)
	}
	protected := encode64(head)
	sig, err := s.sign([]byte(protected + "." + e.Payload))
	if err != nil {
		t.Fatal(err)
	}
	e.Signatures = []entry{{protected, encode64(sig)}}
	data, err := marshal(e)
	if err != nil {
		t.Fatal(err)
	}
	if !agree(t, data, TypPolicy, []Key{s.key}, 1) {
		t.Error("refused")
	}
	if _, ok := byGoJose(data, s.key); ok {
		t.Error("go-jose takes the name Ed25519 now: take the disagreement out")
	}
}

// FuzzVerify mutates the 67 cases: no input may be accepted that two other
// libraries would not accept key by key.
func FuzzVerify(f *testing.F) {
	h, keys := loadHostile(f)
	if len(h.Cases) != 67 {
		f.Fatalf("%d seeds, the set has 67", len(h.Cases))
	}
	for _, c := range h.Cases {
		f.Add([]byte(c.Input))
		f.Add([]byte(strings.ReplaceAll(c.Input, `"`, `"`+" ")))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		agree(t, data, h.Typ, keys, h.Threshold)
	})
}
