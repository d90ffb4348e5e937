package policy

import (
	"slices"
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
	of      string // the library
	why     string
	applies func(m *message, k Key) bool
}{
	{"go-jose", "does not know the name Ed25519 of RFC 9864", func(m *message, k Key) bool {
		return slices.ContainsFunc(m.entries, func(s signature) bool { return s.Alg == algEd25519 })
	}},
}

func explained(library string, m *message, k Key) bool {
	for _, d := range disagreements {
		if d.of == library && d.applies(m, k) {
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

// Every byte of a good envelope changed, left out, or with something in front
// of it: only white space between the parts may pass, and what passes the
// libraries take too.
func TestOneByteMutations(t *testing.T) {
	h, keys := loadHostile(t)
	good := h.Cases[1].Input // one key of each kind
	inside, spaces := false, 0
	for i := range len(good) {
		before, after := good[:i], good[i:]
		between := !inside
		if good[i] == '"' {
			inside = !inside
		}
		for insert, pass := range map[string]bool{" ": between, "\n": between, "=": false, "A": false, "\x00": false} {
			taken := agree(t, []byte(before+insert+after), h.Typ, keys, h.Threshold)
			if taken != pass {
				t.Errorf("%q inserted at %d: taken %v, want %v", insert, i, taken, pass)
			}
			if taken {
				spaces++
			}
		}
		flipped := before + string(good[i]^1) + after[1:]
		if agree(t, []byte(flipped), h.Typ, keys, h.Threshold) {
			t.Errorf("a changed bit at %d passes", i)
		}
		if agree(t, []byte(before+after[1:]), h.Typ, keys, h.Threshold) {
			t.Errorf("a byte left out at %d passes", i)
		}
	}
	if spaces == 0 {
		t.Error("no mutation was compared with the libraries")
	}
}

// FuzzVerify mutates the 67 cases: no input may be accepted that two other
// libraries would not accept key by key.
func FuzzVerify(f *testing.F) {
	h, keys := loadHostile(f)
	if len(h.Cases) != 67 {
		f.Fatalf("%d seeds, the set has 67", len(h.Cases))
	}
	for i, c := range h.Cases {
		f.Add([]byte(c.Input), uint(i), byte(' '))
	}
	f.Fuzz(func(t *testing.T, data []byte, at uint, with byte) {
		agree(t, data, h.Typ, keys, h.Threshold)
		// A fuzzer rarely gets past a signature, so it also places one byte
		// into an envelope that is good.
		good := h.Cases[at%6].Input
		i := int(at/6) % len(good)
		agree(t, []byte(good[:i]+string(rune(with))+good[i:]), h.Typ, keys, h.Threshold)
	})
}
