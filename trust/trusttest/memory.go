package trusttest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// Memory is a store in memory, for tests of those who drive stores.
type Memory struct {
	Vendor  map[root.Fingerprint][]byte // a package's roots
	Local   map[root.Fingerprint][]byte
	Refuses map[root.Fingerprint]bool
	Applied int   // batches that went live
	Fail    error // what every change of the next Apply ends with
}

// NewMemory returns a store that holds three roots of a package.
func NewMemory(t testing.TB) *Memory {
	m := &Memory{Vendor: map[root.Fingerprint][]byte{}, Local: map[root.Fingerprint][]byte{}, Refuses: map[root.Fingerprint]bool{}}
	for i := range 3 {
		r := NewAuthority(t, fmt.Sprintf("Harbour Vendor %d", i)).Root()
		m.Vendor[r.Fingerprint] = r.DER
	}
	return m
}

// ID implements [trust.Store].
func (m *Memory) ID() trust.StoreID { return trust.Machine }

// Capabilities implements [trust.Store].
func (m *Memory) Capabilities() trust.Capabilities {
	return trust.Capabilities{Family: "memory", Ops: []trust.Op{trust.Place, trust.Withdraw, trust.Block, trust.Unblock}}
}

// Observe implements [trust.Store].
func (m *Memory) Observe(ctx context.Context) (trust.Snapshot, error) {
	s := trust.Snapshot{Store: m.ID(), Entries: map[root.Fingerprint]trust.Entry{}, Parts: []trust.Part{
		{Name: "source", Kind: trust.Source, Path: "memory/source", Present: true},
		{Name: "bundle", Kind: trust.Compiled, Path: "memory/bundle", Present: true},
	}}
	add := func(fp root.Fingerprint, der []byte, origin trust.Origin, pkg string) {
		e := s.Entries[fp]
		e.Fingerprint, e.DER, e.Blocked = fp, der, m.Refuses[fp]
		if origin == trust.FromLocal || !m.Refuses[fp] {
			for _, p := range s.Parts {
				e.Locations = append(e.Locations, trust.Location{Part: p.Name, Path: p.Path + "/" + fp.Short(), Origin: origin, Package: pkg})
			}
		}
		s.Entries[fp] = e
	}
	for fp, der := range m.Vendor {
		add(fp, der, trust.FromPackage, "harbour-roots")
	}
	for fp, der := range m.Local {
		add(fp, der, trust.FromLocal, "")
	}
	return s, ctx.Err()
}

// Try implements [trust.Store].
func (m *Memory) Try(ctx context.Context, batch []trust.Change) (trust.Trial, error) {
	return &memoryTrial{batch: slices.Clone(batch)}, ctx.Err()
}

type memoryTrial struct {
	batch []trust.Change
	used  bool
}

func (t *memoryTrial) Batch() []trust.Change         { return slices.Clone(t.batch) }
func (t *memoryTrial) Staged() []trust.Part          { return nil }
func (t *memoryTrial) Leaving() []trust.Leaving      { return nil }
func (t *memoryTrial) Notes() []string               { return nil }
func (t *memoryTrial) Discard(context.Context) error { t.used = true; return nil }

// Apply implements [trust.Store].
func (m *Memory) Apply(ctx context.Context, x trust.Trial) []trust.Outcome {
	t, mine := x.(*memoryTrial)
	var out []trust.Outcome
	for _, c := range x.Batch() {
		var err error
		switch {
		case !mine || t.used:
			err = errors.New("the trial was used")
		case ctx.Err() != nil:
			err = ctx.Err()
		case m.Fail != nil:
			err = m.Fail
		case c.Check() != nil:
			err = c.Check()
		case c.Store != m.ID():
			err = fmt.Errorf("cannot %s: this is store %s", c, m.ID())
		case slices.ContainsFunc(t.batch, func(o trust.Change) bool {
			return o.Root.Fingerprint == c.Root.Fingerprint && (o.Op == trust.Place) != (c.Op == trust.Place) && o.Op != trust.Unblock && c.Op != trust.Unblock
		}):
			err = fmt.Errorf("cannot %s: the same batch wants the opposite", c)
		default:
			err = m.apply(c)
		}
		o := trust.Outcome{Change: c, Status: trust.Done, Err: err}
		if err != nil {
			o.Status = trust.Failed
		}
		out = append(out, o)
	}
	if mine {
		t.used = true
	}
	m.Applied, m.Fail = m.Applied+1, nil
	return out
}

func (m *Memory) apply(c trust.Change) error {
	fp := c.Root.Fingerprint
	_, vendor := m.Vendor[fp]
	switch c.Op {
	case trust.Place:
		if !vendor || m.Refuses[fp] || c.Own {
			m.Local[fp] = c.Root.DER
		}
	case trust.Withdraw:
		if vendor && !m.Refuses[fp] {
			return fmt.Errorf("cannot %s: a package brings it; distrust it instead", c)
		}
		delete(m.Local, fp)
	case trust.Block:
		m.Refuses[fp] = vendor
		delete(m.Local, fp)
	case trust.Unblock:
		delete(m.Refuses, fp)
	}
	return nil
}
