package policy

import (
	"slices"
	"time"
)

// Chain is what signers keep of a keyset's history: the first keyset in clear
// and every statement since, oldest first.
type Chain struct {
	first      Keyset
	statements []envelope
	current    Keyset
}

type chainJSON struct {
	First      Keyset     `json:"first"`
	Statements []envelope `json:"statements"`
}

// maxChain bounds a chain file: one keyset and MaxStatements statements.
const maxChain = 4 << 20

// NewChain begins a history.
func NewChain(first Keyset) (Chain, error) {
	if err := first.Check(); err != nil {
		return Chain{}, err
	}
	if first.Issued.IsZero() {
		return Chain{}, refuse(CodeMissingMember, "keyset.issued", "the first keyset says when it was issued")
	}
	return Chain{first: first, current: first}, nil
}

// ParseChain reads a chain file and walks it: each statement must follow.
func ParseChain(data []byte) (Chain, error) {
	var j chainJSON
	if err := decodeStrict(data, maxChain, "chain", &j); err != nil {
		return Chain{}, err
	}
	c, err := NewChain(j.First)
	if err != nil {
		return Chain{}, err
	}
	current, err := walk(c.first, j.Statements, Keyset{})
	if err != nil {
		return Chain{}, err
	}
	return Chain{c.first, j.Statements, current}, nil
}

// JSON returns the chain's file.
func (c Chain) JSON() ([]byte, error) {
	if c.IsZero() {
		return nil, refuse(CodeBadKeyset, "chain", "the chain is empty")
	}
	text, err := marshal(chainJSON{c.first, append([]envelope{}, c.statements...)})
	return append(text, '\n'), err
}

// IsZero reports whether c holds no keyset.
func (c Chain) IsZero() bool { return c.first.IsZero() }

// First returns the keyset with which the history began.
func (c Chain) First() Keyset { return c.first }

// Current returns the newest keyset.
func (c Chain) Current() Keyset { return c.current }

// Statements returns how many statements the chain holds.
func (c Chain) Statements() int { return len(c.statements) }

// Extend adds a statement that has all its signatures.
func (c Chain) Extend(data []byte) (Chain, error) {
	var e envelope
	if err := decodeStrict(data, maxStatement, "statement", &e); err != nil {
		return c, err
	}
	m, s, err := e.read("statement")
	if err != nil {
		return c, err
	}
	if err := s.follows(c.current, m); err != nil {
		return c, err
	}
	if len(c.statements) == MaxStatements {
		return c, refuse(CodeTooManyStatements, "chain", "it holds %d statements already", MaxStatements)
	}
	return Chain{c.first, append(slices.Clone(c.statements), e), s.Keyset}, nil
}

// Rebase returns the chain as it is for hosts pinned at the current keyset:
// without the statements before it.
func (c Chain) Rebase() Chain { return Chain{first: c.current, current: c.current} }

// SignStatement writes the statement by which next takes over from current.
// replacing is the contingency keyset in clear where it signs too: always if
// the generation rises, otherwise only to change the contingency hash. The
// statement may still wait for signatures of others, see AddSignature and
// Missing.
func SignStatement(current, next Keyset, replacing *Keyset, now time.Time, signers ...Signer) ([]byte, error) {
	s := statement{next, replacing}
	if err := checkIssued("statement", next.Issued, now); err != nil {
		return nil, err
	}
	for _, check := range []func() error{current.Check, next.Check, func() error { return s.formOf(current, "statement") }} {
		if err := check(); err != nil {
			return nil, err
		}
	}
	payload, err := s.payload()
	if err != nil {
		return nil, err
	}
	if _, err := readStatement(payload, "statement"); err != nil {
		return nil, err
	}
	e := newEnvelope(payload)
	for _, signer := range signers {
		if e, err = e.add(signer, TypKeyset, s.keys(current)); err != nil {
			return nil, err
		}
	}
	text, err := marshal(e)
	return append(text, '\n'), err
}

// keys returns every key that may sign the statement.
func (s statement) keys(current Keyset) []Key {
	all := slices.Concat(s.Keys, current.Keys)
	if s.Replacing != nil {
		all = append(all, s.Replacing.Keys...)
	}
	return all
}

// StatementKeys returns the keys that may sign a statement which is to follow
// current, each once.
func StatementKeys(data []byte, current Keyset) ([]Key, error) {
	var e envelope
	if err := decodeStrict(data, maxStatement, "statement", &e); err != nil {
		return nil, err
	}
	m, err := e.partial("statement", TypKeyset)
	if err != nil {
		return nil, err
	}
	s, err := readStatement(m.payload, "statement")
	if err != nil {
		return nil, err
	}
	var keys []Key
	for _, k := range s.keys(current) {
		if !slices.Contains(keys, k) {
			keys = append(keys, k)
		}
	}
	return keys, nil
}

// NextStatement reads the keyset that a statement would install. Nobody has
// verified it: it is for showing to whoever is about to sign.
func NextStatement(data []byte) (next Keyset, replacing *Keyset, err error) {
	var e envelope
	if err := decodeStrict(data, maxStatement, "statement", &e); err != nil {
		return Keyset{}, nil, err
	}
	m, err := e.partial("statement", TypKeyset)
	if err != nil {
		return Keyset{}, nil, err
	}
	s, err := readStatement(m.payload, "statement")
	return s.Keyset, s.Replacing, err
}
