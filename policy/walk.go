package policy

import "slices"

// MaxStatements bounds the keyset statements of one policy file.
const MaxStatements = 64

// statement is the payload of a keyset statement: the next keyset, and the
// contingency keyset in clear where it signs too.
type statement struct {
	Keyset
	Replacing *Keyset `json:"replacing,omitempty"`
}

// statementPayload is the same for writing: an embedded Keyset would lend its
// methods to the whole.
type statementPayload struct {
	Schema      int     `json:"schema"`
	Policy      string  `json:"policy"`
	Generation  uint32  `json:"generation"`
	Serial      uint32  `json:"serial"`
	Issued      string  `json:"issued"`
	Threshold   int     `json:"threshold"`
	Keys        []Key   `json:"keys"`
	Contingency Digest  `json:"contingency,omitzero"`
	Replacing   *Keyset `json:"replacing,omitempty"`
}

func (s statement) payload() ([]byte, error) {
	k := s.Keyset
	return marshal(statementPayload{k.Schema, k.Policy, k.Generation, k.Serial, k.Issued.UTC().Format(timeLayout), k.Threshold, k.Keys, k.Contingency, s.Replacing})
}

// readStatement reads and vets what a statement says. Nobody has verified it.
func readStatement(payload []byte, path string) (statement, error) {
	var s statement
	n, err := bounded(payload, maxStatement, path, KeysetSchema)
	if err != nil {
		return s, err
	}
	if err := decodeNode(n, path, &s); err != nil {
		return s, err
	}
	if s.Issued.IsZero() {
		return s, refuse(CodeMissingMember, path, "member %q is missing", "issued")
	}
	if err := s.Check(); err != nil {
		return s, err
	}
	if s.Replacing != nil {
		return s, s.Replacing.Check()
	}
	return s, nil
}

// read opens the envelope of a statement and reads what it says.
func (e envelope) read(path string) (*message, statement, error) {
	m, err := e.open(path, TypKeyset)
	if err != nil {
		return nil, statement{}, err
	}
	s, err := readStatement(m.payload, join(path, "payload"))
	return m, s, err
}

// follows decides whether the statement's keyset takes over from current.
//
// A normal statement has the next serial and the signatures of enough keys of
// both keysets. A contingency statement has the next generation and serial 1,
// and the signatures of enough keys of the contingency keyset, whose hash
// current pins, and of the new one: the current keys are what it replaces.
func (s statement) follows(current Keyset, m *message) error {
	if err := s.formOf(current, m.path); err != nil {
		return err
	}
	signed, err := m.verify(s.keys(current))
	switch {
	case err != nil:
		return err
	case s.Replacing != nil && !s.Replacing.met(signed):
		return refuse(CodeContingencyKeys, m.path, "fewer than %d keys of the contingency keyset signed", s.Replacing.Threshold)
	case s.Generation == current.Generation && !current.met(signed):
		return refuse(CodeCurrentKeys, m.path, "fewer than %d keys of the current keyset signed", current.Threshold)
	case !s.met(signed):
		return refuse(CodeNextKeys, m.path, "fewer than %d keys of the new keyset signed", s.Threshold)
	}
	return nil
}

// formOf decides what can be decided without signatures.
func (s statement) formOf(current Keyset, path string) error {
	contingency := s.Generation != current.Generation
	switch {
	case s.Policy != current.Policy:
		return refuse(CodeKeysetOtherPolicy, path, "the statement is about the keys of policy %q, not %q", s.Policy, current.Policy)
	case !contingency && uint64(s.Serial) != uint64(current.Serial)+1,
		contingency && (s.Generation != current.Generation+1 || s.Serial != 1):
		return refuse(CodeKeysetGap, path, "keyset %d.%d does not follow %d.%d", s.Generation, s.Serial, current.Generation, current.Serial)
	case contingency && s.Replacing == nil:
		return refuse(CodeContingencyMissing, path, "the generation rises, but the contingency keyset is not shown")
	}
	return s.checkContingency(current, contingency, path)
}

// checkContingency keeps the contingency hash out of the hands of whoever has
// the current keys alone.
func (s statement) checkContingency(current Keyset, contingency bool, path string) error {
	if s.Replacing == nil {
		if !current.Contingency.IsZero() && s.Contingency != current.Contingency {
			return refuse(CodeContingencyChanged, path, "the contingency hash changes without signatures of the contingency keys")
		}
		return nil
	}
	hash, err := s.Replacing.Hash()
	if err != nil {
		return err
	}
	switch {
	case current.Contingency.IsZero() || hash != current.Contingency:
		return refuse(CodeContingencyUnknown, path, "the contingency keyset shown is not the one that keyset %d.%d pins", current.Generation, current.Serial)
	case s.Replacing.Policy != s.Policy:
		return refuse(CodeKeysetOtherPolicy, path, "the contingency keyset belongs to policy %q", s.Replacing.Policy)
	case !s.Replacing.Contingency.IsZero():
		return refuse(CodeContingencySignsElse, path, "the contingency keyset pins another one")
	case contingency && s.Contingency == current.Contingency:
		return refuse(CodeContingencyReused, path, "the contingency keyset was used and is pinned again")
	}
	for _, k := range s.Replacing.Keys {
		if slices.Contains(s.Keys, k) || slices.Contains(current.Keys, k) {
			return refuse(CodeContingencyOverlaps, path, "%s is a contingency key and signs policies too", k)
		}
	}
	return nil
}

// walk goes from the pin through the statements, oldest first, and returns the
// newest keyset. Statements up to the pin are passed over unverified: they
// are read, and may only confirm it.
//
// reached is the keyset where the last walk ended, or the zero one. This walk
// must come by it again, so that leaving statements out can only cause a
// refusal. One way leads round it: a contingency statement that replaces
// exactly it, so that a host led astray by stolen keys comes back. A pin that
// is newer than reached must be proven from there: the walk starts at reached
// and must come by the pin. What cannot be proven takes Floor.Repin.
func walk(pin Keyset, statements []envelope, reached Keyset) (Keyset, error) {
	if len(statements) > MaxStatements {
		return Keyset{}, refuse(CodeTooManyStatements, "keysets", "%d statements, at most %d are allowed", len(statements), MaxStatements)
	}
	if !reached.IsZero() && reached.Policy != pin.Policy {
		return Keyset{}, pinChanged(pin, reached)
	}
	start, other := pin, reached
	if !reached.IsZero() && reached.Epoch() < pin.Epoch() {
		start, other = reached, pin
	}
	current, last := start, uint64(0)
	passed := other.IsZero() || other.Same(start)
	for i, e := range statements {
		m, s, err := e.read(item("keysets", i))
		if err != nil {
			return Keyset{}, err
		}
		if s.Epoch() <= last {
			return Keyset{}, refuse(CodeKeysetOrder, m.path, "keyset %s stands behind a newer one", s.Number())
		}
		last = s.Epoch()
		if last == pin.Epoch() && !s.Same(pin) {
			return Keyset{}, refuse(CodeKeysetConflict, m.path, "keyset %s is not the pinned one of that number", s.Number())
		}
		if last <= start.Epoch() {
			continue
		}
		if err := s.follows(current, m); err != nil {
			return Keyset{}, err
		}
		current = s.Keyset
		passed = passed || current.Same(other) || s.replaces(other)
	}
	switch {
	case passed:
		return current, nil
	case reached.Epoch() <= pin.Epoch():
		return Keyset{}, pinChanged(pin, reached)
	case current.Epoch() < reached.Epoch():
		return Keyset{}, refuse(CodeKeysetRollback, "keysets", "the statements end at keyset %s, this host has seen %s", current.Number(), reached.Number())
	}
	return Keyset{}, refuse(CodeKeysetConflict, "keysets", "the statements pass by keyset %s, which this host has seen", reached.Number())
}

func pinChanged(pin, reached Keyset) error {
	return refuse(CodePinChanged, "pin", "it is keyset %s of policy %q, and no statement leads there from keyset %s of policy %q, which this host believes",
		pin.Number(), pin.Policy, reached.Number(), reached.Policy)
}

// replaces reports whether a statement that follows its own chain also
// replaces old by the contingency keyset that old pins itself.
func (s statement) replaces(old Keyset) bool {
	if s.Replacing == nil || s.Generation != old.Generation+1 {
		return false
	}
	hash, err := s.Replacing.Hash()
	return err == nil && hash == old.Contingency && s.Policy == old.Policy
}
