package policy

import (
	"fmt"
	"slices"
)

// ChangeKeyset is the Kind of a line that says what becomes of a keyset.
const ChangeKeyset = "keyset"

// Number names a keyset within its policy: generation and serial, as "0.2".
func (k Keyset) Number() string { return fmt.Sprintf("%d.%d", k.Generation, k.Serial) }

// KeysetDiff says what changes from one keyset to the next, for whoever signs
// the statement: first what, then cautions. It judges nothing.
func KeysetDiff(current, next Keyset) []ChangeLine {
	var lines []ChangeLine
	add := func(kind, format string, args ...any) {
		lines = append(lines, ChangeLine{Kind: kind, Text: fmt.Sprintf(format, args...)})
	}
	add(ChangeKeyset, "keyset %s takes over from %s; policies of the new epoch %d begin to count anew", next.Number(), current.Number(), next.Epoch())
	gone := 0
	for _, k := range current.Keys {
		if !slices.Contains(next.Keys, k) {
			gone++
			add(ChangeKeyset, "%s signs no more", k)
		}
	}
	for _, k := range next.Keys {
		if !slices.Contains(current.Keys, k) {
			add(ChangeKeyset, "%s may sign from now on", k)
		}
	}
	if current.Threshold != next.Threshold || len(current.Keys) != len(next.Keys) {
		add(ChangeKeyset, "%d of %d must sign, instead of %d of %d", next.Threshold, len(next.Keys), current.Threshold, len(current.Keys))
	}
	switch {
	case current.Contingency == next.Contingency:
	case next.Contingency.IsZero():
		add(ChangeKeyset, "no contingency keyset is pinned any more")
	case current.Contingency.IsZero():
		add(ChangeKeyset, "contingency keyset %s is pinned", next.Contingency)
	default:
		add(ChangeKeyset, "contingency keyset %s is pinned instead of %s", next.Contingency, current.Contingency)
	}
	switch {
	case next.Generation != current.Generation:
		add(ChangeCaution, "the contingency keyset replaces all current keys and is used up by it; nothing that they sign counts any more")
	case gone > 0:
		add(ChangeCaution, "a key that leaves may have been stolen: if others have %d of the current keys they can sign a statement too, and only the contingency keyset beats theirs", current.Threshold)
	}
	if next.Threshold < current.Threshold {
		add(ChangeCaution, "fewer people than before are enough")
	}
	return append(lines, KeysetCautions(next)...)
}

// Side is one of the keysets that must sign a statement.
type Side struct {
	Name    string // "current", "new" or "contingency"
	Keyset  Keyset
	Have    []string // ids of those that signed
	Missing int      // how many more must
}

// Sides tells which keysets must sign a statement that is to follow current,
// and what each still lacks. It refuses a statement that could not follow
// whoever signed it.
func Sides(data []byte, current Keyset) ([]Side, error) {
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
	if err := s.formOf(current, "statement"); err != nil {
		return nil, err
	}
	signed, err := m.verify(s.keys(current))
	if err != nil {
		return nil, err
	}
	var sides []Side
	add := func(name string, k Keyset) {
		have := count(signed, k.Keys)
		sides = append(sides, Side{name, k, have, max(0, k.Threshold-len(have))})
	}
	if s.Replacing != nil {
		add("contingency", *s.Replacing)
	}
	if s.Generation == current.Generation {
		add("current", current)
	}
	add("new", s.Keyset)
	return sides, nil
}

// IsStatement reports whether data looks like a keyset statement rather than
// a policy file: a bare envelope. Nothing is verified.
func IsStatement(data []byte) bool {
	s, err := readSigned(data)
	return err == nil && s.statement
}
