package policy

import (
	"slices"
	"time"
)

// signedFile is a file under signatures: a policy file, or the bare envelope of a
// keyset statement.
type signedFile struct {
	file      file // of a policy
	statement bool
	env       envelope
	typ       string
}

func readSigned(data []byte) (signedFile, error) {
	if len(data) > MaxFile {
		return signedFile{}, refuse(CodeTooLarge, "", "more than %d bytes", MaxFile)
	}
	n, err := scan(data)
	if err != nil {
		return signedFile{}, err
	}
	if slices.Contains(n.names, "policy") {
		var f file
		err := decodeNode(n, "", &f)
		return signedFile{file: f, env: f.Policy, typ: TypPolicy}, err
	}
	s := signedFile{statement: true, typ: TypKeyset}
	err = decodeNode(n, "statement", &s.env)
	return s, err
}

func (s signedFile) bytes(e envelope) ([]byte, error) {
	if s.statement {
		text, err := marshal(e)
		return append(text, '\n'), err
	}
	s.file.Policy = e
	return s.file.bytes()
}

// vet refuses to add to what hosts would refuse anyway. An issue time in the
// past is no fault here: the second signer may come back from leave.
func (s signedFile) vet(now time.Time) error {
	m, err := s.env.partial("", s.typ)
	if err != nil {
		return err
	}
	if s.statement {
		st, err := readStatement(m.payload, "statement")
		if err == nil && st.Issued.After(now.Add(maxIssueSkew)) {
			err = checkIssued("statement", st.Issued, now)
		}
		return err
	}
	doc, err := readDocument(m.payload)
	switch {
	case err != nil:
		return err
	case doc.Issued.After(now.Add(maxIssueSkew)):
		return checkIssued("policy", doc.Issued, now)
	case now.After(doc.Expires):
		return refuse(CodeExpired, "policy", "it expired on %s", doc.Expires.Format(timeLayout))
	}
	return nil
}

// Signable refuses a policy file or keyset statement to which nobody should
// add a signature at that time: one that hosts would refuse, that has expired,
// or that claims to be issued more than ten minutes ahead. AddSignature asks
// it; a program that hands out SigningInput asks it first.
func Signable(data []byte, now time.Time) error {
	s, err := readSigned(data)
	if err != nil {
		return err
	}
	return s.vet(now)
}

// AddSignature signs a policy file or keyset statement that others made. keys
// are those that may sign it: the keyset's for a policy, StatementKeys for a
// statement.
func AddSignature(data []byte, keys []Key, now time.Time, signer Signer) ([]byte, error) {
	s, err := readSigned(data)
	if err != nil {
		return nil, err
	}
	if err := s.vet(now); err != nil {
		return nil, err
	}
	e, err := s.env.add(signer, s.typ, keys)
	if err != nil {
		return nil, err
	}
	return s.bytes(e)
}

// SigningInput returns the exact bytes that the key signs, for a tool or
// device that holds it.
func SigningInput(data []byte, key Key) ([]byte, error) {
	s, err := readSigned(data)
	if err != nil {
		return nil, err
	}
	return s.env.input(key, s.typ, []Key{key})
}

// AttachSignature adds a signature that another tool made over the key's
// SigningInput: 64 bytes, or for P-256 also DER. It is verified first.
func AttachSignature(data []byte, keys []Key, key Key, sig []byte) ([]byte, error) {
	s, err := readSigned(data)
	if err != nil {
		return nil, err
	}
	e, err := s.env.attach(key, sig, s.typ, keys)
	if err != nil {
		return nil, err
	}
	return s.bytes(e)
}

// Missing tells how many signatures a policy file still waits for, and which
// keys have signed.
func Missing(data []byte, keyset Keyset) (missing int, have []string, err error) {
	s, err := readSigned(data)
	if err != nil {
		return 0, nil, err
	}
	m, err := s.env.partial("", s.typ)
	if err != nil {
		return 0, nil, err
	}
	signed, err := m.verify(keyset.Keys)
	if err != nil {
		return 0, nil, err
	}
	have = count(signed, keyset.Keys)
	return max(0, keyset.Threshold-len(have)), have, nil
}

// Unverified reads the document of a policy file without believing it, for
// showing to whoever is about to sign. Nothing may be applied by it.
func Unverified(data []byte) (Document, error) {
	s, err := readSigned(data)
	if err != nil {
		return Document{}, err
	}
	m, err := s.env.partial("policy", TypPolicy)
	if err != nil {
		return Document{}, err
	}
	return readDocument(m.payload)
}
