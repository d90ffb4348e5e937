package policy

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"maps"
	"slices"
	"time"

	"anchorhold.test/anchorhold/trust/root"
)

// Pin is what a host believes before it saw anything.
type Pin struct {
	Keyset     Keyset
	MinVersion uint64 // of the pinned epoch
}

// Verified is a policy that was believed. Only Open makes one; the zero value
// is no policy.
type Verified struct{ v *verified }

type verified struct {
	doc         Document
	mark        Mark
	keyset      Keyset
	signers     []string
	now         time.Time
	clockBehind bool
	stale       bool
}

// file is what hosts read.
type file struct {
	Keysets []envelope `json:"keysets"` // statements, oldest first
	Policy  envelope   `json:"policy"`
}

// TooLarge is the refusal of a policy file of which more than MaxFile bytes
// were offered, so that nobody read it to its end.
func TooLarge(name string) error {
	return refuse(CodeTooLarge, name, "more than %d bytes", MaxFile)
}

func split(data []byte) (file, error) {
	var f file
	err := decodeStrict(data, MaxFile, "", &f)
	return f, err
}

// Open decides whether a policy file is to be believed, and returns the floor
// to store before anything else is done with it. On an error it returns the
// floor as it was given. The error is an *Error.
//
// The same policy that the host already holds may be opened again at any time;
// past its end it is then returned as stale, while one that is offered anew is
// refused.
func Open(data []byte, pin Pin, floor Floor, now time.Time) (Verified, Floor, error) {
	return open(data, pin, floor, now, false)
}

// Reopen is Open for the policy that a host stored when it believed it. Past
// its end it is stale, even where the floor that was stored beside it is lost
// or is older, because the host died between the two.
func Reopen(data []byte, pin Pin, floor Floor, now time.Time) (Verified, Floor, error) {
	return open(data, pin, floor, now, true)
}

func open(data []byte, pin Pin, floor Floor, now time.Time, held bool) (Verified, Floor, error) {
	f, err := split(data)
	if err != nil {
		return Verified{}, floor, err
	}
	if err := pin.check(); err != nil {
		return Verified{}, floor, err
	}
	keyset, err := walk(pin.Keyset, f.Keysets, floor.Keyset)
	if err != nil {
		return Verified{}, floor, err
	}
	doc, mark, signers, err := f.Policy.believe(keyset)
	if err != nil {
		return Verified{}, floor, err
	}
	if err := floor.admit(mark, pin); err != nil {
		return Verified{}, floor, err
	}
	next := floor.raise(mark, doc.Issued, keyset)
	v := &verified{doc: doc, mark: mark, keyset: keyset, signers: signers, now: now.UTC()}
	// A clock behind what the signers wrote is a wrong clock. It makes no
	// valid policy 'not yet valid' and no expired one valid again.
	if v.clockBehind = now.Before(next.Newest); v.clockBehind {
		v.now = next.Newest
	}
	v.stale = v.now.After(doc.Expires)
	if v.stale && mark != floor.Mark && !held {
		return Verified{}, floor, refuse(CodeExpired, mark.String(), "it expired on %s and is not the policy in force", doc.Expires.Format(timeLayout))
	}
	return Verified{v}, next, nil
}

func (p Pin) check() error {
	if p.Keyset.IsZero() {
		return refuse(CodeNoPin, "", "no keyset is pinned on this host")
	}
	if p.MinVersion > maxInteger {
		return refuse(CodeOutOfRange, "min_version", "%d is beyond 2^53-1", p.MinVersion)
	}
	return p.Keyset.Check()
}

// believe verifies the envelope by the keyset and reads the bytes that were
// verified, and no others.
func (e envelope) believe(keyset Keyset) (Document, Mark, []string, error) {
	m, err := e.open("policy", TypPolicy)
	if err != nil {
		return Document{}, Mark{}, nil, err
	}
	signed, err := m.verify(keyset.Keys)
	if err != nil {
		return Document{}, Mark{}, nil, err
	}
	signers := count(signed, keyset.Keys)
	if !keyset.met(signed) {
		return Document{}, Mark{}, nil, refuse(CodeThreshold, "policy", "%d of the keyset's %d keys signed, %d must", len(signers), len(keyset.Keys), keyset.Threshold)
	}
	doc, err := readDocument(m.payload)
	switch {
	case err != nil:
		return Document{}, Mark{}, nil, err
	case doc.Name != keyset.Policy:
		return Document{}, Mark{}, nil, refuse(CodeWrongPolicy, "policy", "this is policy %q, the keyset signs %q", doc.Name, keyset.Policy)
	case doc.Epoch != keyset.Epoch():
		return Document{}, Mark{}, nil, refuse(CodeWrongEpoch, "policy", "it belongs to epoch %d, its keyset to %d", doc.Epoch, keyset.Epoch())
	}
	return doc, Mark{doc.Epoch, doc.Version, sha256.Sum256(m.payload)}, signers, nil
}

// readDocument reads a payload strictly. A newer schema is recognised before
// anything else is judged.
func readDocument(payload []byte) (Document, error) {
	var doc Document
	n, err := bounded(payload, MaxFile, "policy.payload", Schema)
	if err != nil {
		return doc, err
	}
	if err := decodeNode(n, "policy.payload", &doc); err != nil {
		return doc, err
	}
	return doc, documentError(doc.Check())
}

// documentError turns the refusing findings into one error.
func documentError(found []Finding) error {
	var errs []error
	for _, f := range found {
		if f.Severity == root.Refuse {
			errs = append(errs, refuse(CodeDocument, f.Path, "%s (%s)", f.Reason, f.Code))
		}
	}
	if len(errs) == 0 {
		return nil
	}
	all := errors.Join(errs...)
	return &Error{Code: CodeDocument, Subject: "policy", Reason: all.Error(), Next: codes[CodeDocument], Err: all}
}

// admit lets marks only go up.
func (f Floor) admit(m Mark, pin Pin) error {
	order := m.Compare(f.Mark)
	switch {
	case order < 0:
		return refuse(CodeRollback, m.String(), "this host has seen %s", f.Mark)
	case order == 0 && m.Payload != f.Mark.Payload:
		return refuse(CodeEquivocation, m.String(), "this host holds another policy of the same number: the signers, or somebody with their keys, signed two")
	case m.Epoch == pin.Keyset.Epoch() && m.Version < pin.MinVersion:
		return refuse(CodeBelowMinimum, m.String(), "the pin asks for version %d at least", pin.MinVersion)
	}
	return nil
}

// raise returns the floor above which the next policy must be. The newest
// issue time counts within one epoch only, so that stolen keys which signed a
// far future are undone by replacing them.
func (f Floor) raise(m Mark, issued time.Time, keyset Keyset) Floor {
	if m.Epoch == f.Mark.Epoch && f.Newest.After(issued) {
		issued = f.Newest
	}
	return Floor{Mark: m, Newest: issued, Keyset: keyset}
}

// IsZero reports whether v is no policy.
func (v Verified) IsZero() bool { return v.v == nil }

func (v Verified) get() verified {
	if v.v == nil {
		return verified{}
	}
	return *v.v
}

// Mark returns where the policy stands in its history.
func (v Verified) Mark() Mark { return v.get().mark }

// Keyset returns the keyset that signed it.
func (v Verified) Keyset() Keyset {
	k := v.get().keyset
	k.Keys = slices.Clone(k.Keys)
	return k
}

// Signers returns the ids of the keys that signed, sorted.
func (v Verified) Signers() []string { return slices.Clone(v.get().signers) }

// ClockBehind reports that the clock given to Open was before the newest
// signed issue time.
func (v Verified) ClockBehind() bool { return v.get().clockBehind }

// Now returns the later of clock and newest signed issue time.
func (v Verified) Now() time.Time { return v.get().now }

// Stale reports that Now is past the policy's end.
func (v Verified) Stale() bool { return v.get().stale }

// AsOf returns the time at which standings are judged: Now, but never past the
// policy's end. So a stale policy opens no stage and passes no deadline.
func (v Verified) AsOf() time.Time {
	if g := v.get(); g.stale {
		return g.doc.Expires
	}
	return v.Now()
}

// Document returns a copy that the caller may change.
func (v Verified) Document() Document { return v.get().doc.clone() }

func (d Document) clone() Document {
	d.Stages = slices.Clone(d.Stages)
	for i, s := range d.Stages {
		d.Stages[i].Labels = maps.Clone(s.Labels)
		d.Stages[i].Start = clonePointer(s.Start)
	}
	d.Roots = slices.Clone(d.Roots)
	for i := range d.Roots {
		d.Roots[i] = d.Roots[i].clone()
	}
	d.Services = slices.Clone(d.Services)
	for i, s := range d.Services {
		d.Services[i].Stages = slices.Clone(s.Stages)
	}
	return d
}

func (r Root) clone() Root {
	r.DER = bytes.Clone(r.DER)
	r.Standings = slices.Clone(r.Standings)
	for i, s := range r.Standings {
		r.Standings[i].Deadline, r.Standings[i].Until = clonePointer(s.Deadline), clonePointer(s.Until)
	}
	r.Purposes, r.Stores = slices.Clone(r.Purposes), slices.Clone(r.Stores)
	r.Succeeds, r.Waivers = clonePointer(r.Succeeds), slices.Clone(r.Waivers)
	r.Sample = slices.Clone(r.Sample)
	for i, der := range r.Sample {
		r.Sample[i] = bytes.Clone(der)
	}
	return r
}

func clonePointer[T any](p *T) *T {
	if p == nil {
		return nil
	}
	v := *p
	return &v
}
