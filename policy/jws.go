package policy

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"slices"
	"strconv"
)

// Types of what policy keys sign (RFC 7515 4.1.9, RFC 8725 3.11): a signature
// for one is none for another.
const (
	TypPolicy = "anchorhold-policy+jws"
	TypKeyset = "anchorhold-keyset+jws"
	TypReport = "anchorhold-report+jws" // reserved for what hosts say of themselves
)

// Bounds of an envelope.
const (
	MaxFile       = 8 << 20 // bytes of a policy file
	MaxSignatures = 32
	maxHeader     = 1024 // characters of an encoded protected header
	keyIDLength   = 43   // characters of a SHA-256 in base64url
)

// envelope is a JWS in general JSON serialization (RFC 7515 7.2.1), reduced to
// these members: nothing unprotected, neither flattened nor compact.
type envelope struct {
	Payload    string  `json:"payload"`
	Signatures []entry `json:"signatures"`
}

type entry struct {
	Protected string `json:"protected"`
	Signature string `json:"signature"`
}

// header is the protected header, exactly.
type header struct {
	Alg string `json:"alg"`
	Kid string `json:"kid"`
	Typ string `json:"typ"`
}

// message is an envelope that is well formed in every entry. Nothing of it is
// verified yet.
type message struct {
	path    string
	payload []byte
	body    string // the payload as it stands, in base64url: this is signed
	entries []signature
}

type signature struct {
	header
	protected string
	sig       []byte
}

// VerifyJWS decides whether data, at most MaxFile bytes, is a JWS of the given
// typ that at least threshold distinct keys signed. It returns the payload and
// the ids of the keys that signed, sorted. An entry of a key that is not among
// keys neither counts nor hurts, so that keys can change; a broken entry of a
// known one is an error.
func VerifyJWS(data []byte, typ string, keys []Key, threshold int) (payload []byte, signers []string, err error) {
	if err := vetKeys(keys, threshold); err != nil {
		return nil, nil, err
	}
	var e envelope
	if err := decodeStrict(data, MaxFile, "", &e); err != nil {
		return nil, nil, err
	}
	m, err := e.open("", typ)
	if err != nil {
		return nil, nil, err
	}
	signed, err := m.verify(keys)
	if err != nil {
		return nil, nil, err
	}
	if signers = count(signed, keys); len(signers) < threshold {
		return nil, nil, refuse(CodeThreshold, "", "%d of the keyset's %d keys signed, %d must", len(signers), len(keys), threshold)
	}
	return m.payload, signers, nil
}

// open checks the form of an envelope and of each entry.
func (e envelope) open(path, typ string) (*message, error) {
	if len(e.Signatures) == 0 {
		return nil, refuse(CodeNoSignatures, join(path, "signatures"), "there is no signature")
	}
	return e.partial(path, typ)
}

// partial is open for files that still wait for signatures.
func (e envelope) partial(path, typ string) (*message, error) {
	if len(e.Signatures) > MaxSignatures {
		return nil, refuse(CodeTooManySignatures, join(path, "signatures"), "%d entries, at most %d are allowed", len(e.Signatures), MaxSignatures)
	}
	payload, err := decodeBase64(base64.RawURLEncoding, e.Payload)
	if err != nil {
		return nil, refuse(CodeBadBase64, join(path, "payload"), "not canonical base64url: %v", err)
	}
	m := &message{path: path, payload: payload, body: e.Payload}
	for i, entry := range e.Signatures {
		at := join(path, "signatures["+strconv.Itoa(i)+"]")
		s, err := entry.open(at, typ)
		if err != nil {
			return nil, err
		}
		if m.has(s.Kid) {
			return nil, refuse(CodeDuplicateKeyID, at, "key %s signs twice", s.Kid)
		}
		m.entries = append(m.entries, s)
	}
	return m, nil
}

func (m *message) has(kid string) bool {
	return slices.ContainsFunc(m.entries, func(s signature) bool { return s.Kid == kid })
}

func (e entry) open(at, typ string) (signature, error) {
	s := signature{protected: e.Protected}
	if len(e.Protected) > maxHeader {
		return s, refuse(CodeHeaderTooLarge, join(at, "protected"), "more than %d characters", maxHeader)
	}
	raw, err := decodeBase64(base64.RawURLEncoding, e.Protected)
	if err != nil {
		return s, refuse(CodeBadBase64, join(at, "protected"), "not canonical base64url: %v", err)
	}
	if err := decodeStrict(raw, maxHeader, join(at, "protected"), &s.header); err != nil {
		return s, err
	}
	if s.Typ != typ {
		return s, refuse(CodeWrongTyp, at, "typ is %s, expected %q", clip(s.Typ), typ)
	}
	if s.Alg != algEdDSA && s.Alg != algEd25519 && s.Alg != algES256 {
		return s, refuse(CodeAlgNotAllowed, at, "algorithm %s is not allowed, EdDSA, Ed25519 and ES256 are", clip(s.Alg))
	}
	if id, err := decodeBase64(base64.RawURLEncoding, s.Kid); err != nil || len(s.Kid) != keyIDLength || len(id) != 32 {
		return s, refuse(CodeBadKeyID, at, "kid %s is not the SHA-256 thumbprint of a key (RFC 7638)", clip(s.Kid))
	}
	if s.sig, err = decodeBase64(base64.RawURLEncoding, e.Signature); err != nil {
		return s, refuse(CodeBadBase64, join(at, "signature"), "not canonical base64url: %v", err)
	}
	if len(s.sig) != signatureSize {
		return s, refuse(CodeSignatureLength, join(at, "signature"), "%d bytes, a signature has %d", len(s.sig), signatureSize)
	}
	return s, nil
}

// verify checks every entry of a known key and returns the ids that signed.
func (m *message) verify(keys []Key) (map[string]bool, error) {
	signed := map[string]bool{}
	// The payload may be megabytes, so it is laid down once and each header
	// in front of it in turn.
	input := append(make([]byte, maxHeader, maxHeader+1+len(m.body)), '.')
	input = append(input, m.body...)
	for i, s := range m.entries {
		at := slices.IndexFunc(keys, func(k Key) bool { return k.id == s.Kid })
		if at < 0 {
			continue
		}
		subject := join(m.path, "signatures["+strconv.Itoa(i)+"]")
		if !slices.Contains(keys[at].algs(), s.Alg) {
			return nil, refuse(CodeAlgNotOfKey, subject, "algorithm %s does not fit %s", s.Alg, keys[at])
		}
		start := maxHeader - len(s.protected)
		copy(input[start:], s.protected)
		if !keys[at].verify(input[start:], s.sig) {
			return nil, refuse(CodeBadSignature, subject, "the signature is not one of %s over this payload", keys[at])
		}
		signed[s.Kid] = true
	}
	return signed, nil
}

// count returns the ids of those keys that signed, sorted. Keys of a keyset
// are distinct, so this counts public keys and not names of keys.
func count(signed map[string]bool, keys []Key) []string {
	var ids []string
	for _, k := range keys {
		if signed[k.id] {
			ids = append(ids, k.id)
		}
	}
	slices.Sort(ids)
	return ids
}

// protect returns the protected header that we write for a key.
func protect(k Key, typ string) (string, error) {
	text, err := marshal(header{Alg: k.algs()[0], Kid: k.id, Typ: typ})
	if err != nil {
		return "", err
	}
	return base64.RawURLEncoding.EncodeToString(text), nil
}

// marshal writes JSON in the one form that anchorhold writes: members in the
// order of the struct, no blanks, no HTML escapes.
func marshal(v any) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), nil
}
