package agent

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// Bounds of what a host remembers of the services that it asked.
const (
	VerdictsFile = "verdicts.json" // in the state folder
	// MaxVerdictAge is how long the last verdict counts where a service does
	// not answer.
	MaxVerdictAge    = 7 * 24 * time.Hour
	plainAge         = 24 * time.Hour      // how long a port counts as one that speaks no TLS
	keptVerdict      = 90 * 24 * time.Hour // so that people are told since when it is silent
	maxVerdicts      = 8 << 20
	maxServices      = 2000 // remembered, and as many plain listeners
	maxEndpoints     = 16   // of a service
	maxAnchors       = 200  // of an endpoint
	verdictsSchema   = 1
	verdictTimeSlack = clockSlack
)

// Remembered is what earlier probes of this host told.
type Remembered struct {
	Services []Service `json:"services"`
	Plain    []Plain   `json:"plain"`
	Lost     string    `json:"-"` // why nothing is remembered although something may have been
}

// Service is the last good verdict about a service, address by address.
type Service struct {
	trust.Target
	Endpoints []Endpoint `json:"endpoints"`
}

// Endpoint is an address of a service, and by which roots its chain held then.
type Endpoint struct {
	Remote   string             `json:"remote"`
	At       time.Time          `json:"at"`
	Leaf     root.Fingerprint   `json:"sha256"`
	NotAfter time.Time          `json:"not_after"`
	Anchors  []root.Fingerprint `json:"anchors"`
	Doubted  []root.Fingerprint `json:"doubted,omitempty"`
}

// Plain is a listener that speaks no TLS, and for which roots it was asked.
type Plain struct {
	Address string             `json:"address"`
	At      time.Time          `json:"at"`
	Roots   []root.Fingerprint `json:"roots"`
}

// counts reports whether what was told at a time still counts: not for longer
// than MaxVerdictAge, and not if a clock that was ahead wrote it.
func counts(at, now time.Time) bool {
	age := now.Sub(at)
	return age <= MaxVerdictAge && age >= -verdictTimeSlack
}

// ReadVerdicts reads what is remembered in the state folder. What cannot be
// read is nothing remembered, told in Lost: unknown means hold, so no root
// goes by it, and the next verdicts take its place.
func ReadVerdicts(dir Dir) Remembered {
	data, err := dir.Read(VerdictsFile, maxVerdicts)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return Remembered{}
	case errors.Is(err, fs.ErrPermission):
		return Remembered{Lost: "what services told before is for root alone to read"}
	case err != nil:
		return Remembered{Lost: fmt.Sprintf("what services told before cannot be read: %v", err)}
	}
	var m Remembered
	if err := m.decode(data); err != nil {
		return Remembered{Lost: fmt.Sprintf("what services told before cannot be read in %s: %v; it is written anew when they are asked again", VerdictsFile, err)}
	}
	return m
}

type verdictsJSON struct {
	Schema int `json:"schema"`
	Remembered
}

func (m *Remembered) decode(data []byte) error {
	var j verdictsJSON
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&j); err != nil {
		return err
	}
	if j.Schema != verdictsSchema {
		return fmt.Errorf("schema %d is not %d", j.Schema, verdictsSchema)
	}
	again, err := j.encode()
	if err == nil && !bytes.Equal(again, data) {
		err = errors.New("it is not as anchorhold writes it") // the one writer has one form
	}
	if err == nil {
		*m = j.Remembered
	}
	return err
}

func (m Remembered) encode() ([]byte, error) {
	m.Services, m.Plain = append([]Service{}, m.Services...), append([]Plain{}, m.Plain...)
	data, err := json.MarshalIndent(verdictsJSON{verdictsSchema, m}, "", " ")
	return append(data, '\n'), err
}

// Keep stores what is remembered.
func (m Remembered) Keep(dir Dir) error {
	return keep(dir, VerdictsFile, "what services told", m.encode)
}

// Remember adds what services told to what is remembered in the state folder.
// It is for the one who holds the host's lock.
func Remember(dir Dir, verdicts []trust.Verdict, now time.Time) error {
	return ReadVerdicts(dir).learn(verdicts, nil, now).Keep(dir)
}

// of returns what is remembered of a target.
func (m Remembered) of(t trust.Target) []Endpoint {
	for _, s := range m.Services {
		if sameTarget(s.Target, t) {
			return s.Endpoints
		}
	}
	return nil
}

// plain reports whether a listener is known to speak no TLS, and was asked for
// all these roots already.
func (m Remembered) plain(t trust.Target, roots []root.Fingerprint, now time.Time) bool {
	spoke := slices.ContainsFunc(m.of(t), func(e Endpoint) bool { return counts(e.At, now) })
	return t.Listener && !spoke && slices.ContainsFunc(m.Plain, func(p Plain) bool {
		return p.Address == t.Address && counts(p.At, now) && now.Sub(p.At) <= plainAge &&
			!slices.ContainsFunc(roots, func(fp root.Fingerprint) bool { return !slices.Contains(p.Roots, fp) })
	})
}

// learn returns what is to be remembered after new verdicts, which were asked
// for because of these roots. A silent service keeps what it told before; one
// that shows a chain which no root carries takes it back, unless it is for dates.
func (m Remembered) learn(verdicts []trust.Verdict, roots []root.Fingerprint, now time.Time) Remembered {
	next := Remembered{Services: slices.Clone(m.Services), Plain: slices.Clone(m.Plain)}
	for _, v := range verdicts {
		if v.Target.Listener && v.Answer == trust.NotTLS {
			next.Plain = slices.DeleteFunc(next.Plain, func(p Plain) bool { return p.Address == v.Target.Address })
			next.Plain = append(next.Plain, Plain{v.Target.Address, v.At.UTC().Truncate(time.Second), slices.Clone(roots)})
			continue
		}
		ends := slices.Clone(next.of(v.Target))
		for _, e := range v.Endpoints {
			if e.Leaf == nil || lapsed(e) {
				continue
			}
			ends = slices.DeleteFunc(ends, func(o Endpoint) bool { return o.Remote == e.Remote })
			if len(e.Anchors) > 0 {
				ends = append(ends, Endpoint{e.Remote, v.At.UTC().Truncate(time.Second), e.Leaf.SHA256, e.Leaf.NotAfter.UTC(), slices.Clone(first(e.Anchors, maxAnchors)), slices.Clone(first(e.Doubted, maxAnchors))})
			}
		}
		next.Services = slices.DeleteFunc(next.Services, func(s Service) bool { return sameTarget(s.Target, v.Target) })
		t := v.Target
		t.Process = "" // it is another one tomorrow
		next.Services = append(next.Services, Service{t, ends})
	}
	return next.pruned(now)
}

// pruned drops what is too old to tell people, and brings the rest into its
// order and bounds, newest first where there is too much.
func (m Remembered) pruned(now time.Time) Remembered {
	old := func(at time.Time) bool { return now.Sub(at) > keptVerdict }
	for i, s := range m.Services {
		s.Endpoints = slices.DeleteFunc(s.Endpoints, func(e Endpoint) bool { return old(e.At) })
		slices.SortFunc(s.Endpoints, func(a, b Endpoint) int { return cmp.Or(b.At.Compare(a.At), cmp.Compare(a.Remote, b.Remote)) })
		m.Services[i].Endpoints = first(s.Endpoints, maxEndpoints)
	}
	m.Services = slices.DeleteFunc(m.Services, func(s Service) bool { return len(s.Endpoints) == 0 })
	m.Plain = slices.DeleteFunc(m.Plain, func(p Plain) bool { return !counts(p.At, now) })
	slices.SortFunc(m.Services, func(a, b Service) int {
		return cmp.Or(b.Endpoints[0].At.Compare(a.Endpoints[0].At), cmp.Compare(a.Address, b.Address), cmp.Compare(a.Identity, b.Identity), cmp.Compare(a.StartTLS, b.StartTLS))
	})
	slices.SortFunc(m.Plain, func(a, b Plain) int { return cmp.Or(b.At.Compare(a.At), cmp.Compare(a.Address, b.Address)) })
	m.Services, m.Plain = first(m.Services, maxServices), first(m.Plain, maxServices)
	return m
}

func first[T any](all []T, n int) []T { return all[:min(n, len(all))] }
