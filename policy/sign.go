package policy

import (
	"encoding/base64"
	"slices"
	"strings"
	"time"
)

// maxIssueSkew is how far an issue time may be from the clock of whoever
// signs: a far future would make hosts believe that their clocks are wrong.
const maxIssueSkew = 10 * time.Minute

// lowestSchema returns the lowest schema that can say what the document says,
// so that as many hosts as possible understand it. Everything that there is to
// say was already in schema 1.
func lowestSchema(Document) int { return 1 }

// Sign writes a policy file: the chain's statements and the document, signed.
// Fewer signers than the threshold make a file that waits for others; none at
// all make one that is signed by other tools alone.
func Sign(doc Document, chain Chain, now time.Time, signers ...Signer) ([]byte, error) {
	keyset := chain.Current()
	if err := keyset.Check(); err != nil {
		return nil, err
	}
	doc.Schema = lowestSchema(doc)
	if err := doc.signable(keyset, now); err != nil {
		return nil, err
	}
	if err := checkIssued("policy", doc.Issued, now); err != nil {
		return nil, err
	}
	payload, err := doc.Canonical()
	if err != nil {
		return nil, err
	}
	f := file{Keysets: append([]envelope{}, chain.statements...), Policy: newEnvelope(payload)}
	for _, s := range signers {
		if f.Policy, err = f.Policy.add(s, TypPolicy, keyset.Keys); err != nil {
			return nil, err
		}
	}
	return f.bytes()
}

// signable refuses a document that the keyset's hosts would refuse.
func (d Document) signable(keyset Keyset, now time.Time) error {
	switch {
	case d.Name != keyset.Policy:
		return refuse(CodeWrongPolicy, "policy", "this is policy %s, the keyset signs %q", clip(d.Name), keyset.Policy)
	case d.Epoch != keyset.Epoch():
		return refuse(CodeWrongEpoch, "policy", "it belongs to epoch %d, its keyset to %d", d.Epoch, keyset.Epoch())
	case now.After(d.Expires):
		return refuse(CodeExpired, "policy", "it expired on %s", d.Expires.Format(timeLayout))
	}
	return documentError(d.Check())
}

func checkIssued(subject string, issued, now time.Time) error {
	if off := issued.Sub(now).Abs(); off > maxIssueSkew {
		return refuse(CodeIssueTime, subject, "it says it is issued on %s, which is %s off the clock, more than %s", issued.Format(timeLayout), off.Round(time.Second), maxIssueSkew)
	}
	return nil
}

// Canonical returns the payload that is signed: JSON, members in the order of
// the types, labels by name, no blanks.
func (d Document) Canonical() ([]byte, error) {
	if d.Roots == nil {
		d.Roots = []Root{}
	}
	return marshal(d)
}

func (f file) bytes() ([]byte, error) {
	text, err := marshal(f)
	if err == nil && len(text) >= MaxFile {
		err = refuse(CodeTooLarge, "policy", "the signed file would have %d bytes, hosts take %d", len(text), MaxFile)
	}
	return append(text, '\n'), err
}

func newEnvelope(payload []byte) envelope {
	return envelope{Payload: base64.RawURLEncoding.EncodeToString(payload), Signatures: []entry{}}
}

// add signs for one of the keys.
func (e envelope) add(s Signer, typ string, keys []Key) (envelope, error) {
	input, err := e.input(s.key, typ, keys)
	if err != nil {
		return e, err
	}
	sig, err := s.sign(input)
	if err != nil {
		return e, err
	}
	return e.attach(s.key, sig, typ, keys)
}

// input returns the bytes that the key signs: the protected header, a point,
// the payload (RFC 7515 5.1).
func (e envelope) input(k Key, typ string, keys []Key) ([]byte, error) {
	if !slices.Contains(keys, k) {
		return nil, refuse(CodeNotASigner, k.id, "the key is none of those that may sign this")
	}
	protected, err := protect(k, typ)
	return []byte(protected + "." + e.Payload), err
}

// attach verifies a signature before it gets into the file, and those already
// there, so that a signer learns at once what is wrong.
func (e envelope) attach(k Key, sig []byte, typ string, keys []Key) (envelope, error) {
	m, err := e.partial("", typ)
	if err != nil {
		return e, err
	}
	if _, err := m.verify(keys); err != nil {
		return e, err
	}
	if m.has(k.id) {
		return e, refuse(CodeAlreadySigned, k.id, "the key has signed this already")
	}
	input, err := e.input(k, typ, keys)
	if err != nil {
		return e, err
	}
	if k.kind == P256 && len(sig) != signatureSize {
		if sig, err = rawSignature(sig); err != nil {
			return e, err
		}
	}
	if len(sig) != signatureSize {
		return e, refuse(CodeSignatureLength, k.id, "%d bytes, a signature of %s has %d", len(sig), k.kind, signatureSize)
	}
	if !k.verify(input, sig) {
		return e, refuse(CodeBadSignature, k.id, "the signature is not one of this key over this file; sign exactly the exported bytes")
	}
	protected, _, _ := strings.Cut(string(input), ".")
	e.Signatures = append(slices.Clone(e.Signatures), entry{protected, base64.RawURLEncoding.EncodeToString(sig)})
	return e, nil
}
