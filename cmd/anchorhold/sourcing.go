package main

import (
	"bytes"
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"time"

	"golang.org/x/term"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/agent/source"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/reader"
)

// asking says how far a run goes for the policy that the source offers.
type asking int

const (
	fromCopy asking = iota // an address is not asked: what it offered last counts
	fromAddress
	pastCaches // a person waits, and may have published just now
)

// got is what the settings' source offers.
type got struct {
	data []byte
	why  error // why it could not be read, or why what it offers is refused unread

	record source.Record // of an address
	fresh  []byte        // to be kept as the copy; nil where that stays
	asked  bool          // the record is to be kept
}

// asks is how a run asks that is to ask at all.
func (a *app) asks() asking {
	if f, ok := a.out.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		return pastCaches
	}
	return fromAddress
}

// parseSettings reads settings for a host whose policy may come by the web.
func parseSettings(data []byte, dir string) (agent.Settings, error) {
	s, err := agent.ParseSettings(data, dir)
	if err != nil || !s.Web() {
		return s, err
	}
	if _, err = source.Address(s.Policy); err == nil && s.Source.Proxy != "" {
		_, err = source.ProxyAddress(s.Source.Proxy)
	}
	if err != nil {
		return agent.Settings{}, fmt.Errorf("cannot use the policy source: %w", err)
	}
	return s, nil
}

// offered returns what the settings' source offers. The error is for what keeps
// the run from going on at all.
func (m *machine) offered(ctx context.Context, how asking, pin policy.Pin, now time.Time) (got, error) {
	if !m.settings.Web() {
		data, err := m.host.ReadFile(m.settings.Policy, policy.MaxFile)
		switch {
		case errors.Is(err, host.ErrTooLarge):
			return got{why: policy.TooLarge(m.settings.Policy)}, nil
		case err != nil:
			return got{why: fmt.Errorf("cannot read the policy: %w", err)}, nil
		}
		return got{data: data}, nil
	}
	g := got{}
	var err error
	if g.record, g.data, err = source.Recall(readOnly{m.host, statePath}, m.settings.Policy); err != nil {
		return got{}, err
	}
	if how != fromCopy {
		return m.fetch(ctx, g, how == pastCaches, pin, now)
	}
	g.why = g.record.Trouble()
	if policy.CodeOf(g.why) != "" {
		g.data = nil // it is not what the address offers any more
	} else if g.why == nil && g.data == nil {
		g.why = fmt.Errorf("nothing was fetched from %s yet; 'sudo anchorhold enforce' does that, and 'anchorhold preview --fetch' looks first", m.settings.Policy)
	}
	return g, nil
}

// fetch asks the address, in a child without rights. g is what is kept of it.
func (m *machine) fetch(ctx context.Context, g got, fresh bool, pin policy.Pin, now time.Time) (got, error) {
	kept := g
	w, err := m.web(now, func() (source.Record, bool) { return kept.record, m.verifies(kept.data, pin, now) },
		func(rec source.Record, data []byte) error {
			g.record, g.fresh, g.asked = rec, data, true
			return nil
		})
	if err != nil {
		return got{}, err
	}
	o, err := w.Once(ctx, fresh)
	var away *source.Unreachable
	switch {
	case err == nil && !o.Same:
		g.data = o.Data
	case errors.As(err, &away):
		g.why = err
	case policy.CodeOf(err) != "": // it is there, and is none
		g.data, g.why = nil, err
	case err != nil:
		return got{}, err
	}
	return g, nil
}

// web composes the source of an address.
func (m *machine) web(now time.Time, kept func() (source.Record, bool), keep func(source.Record, []byte) error) (*source.Web, error) {
	account := ""
	if reader.CanAskOthers() {
		account = agent.DefaultAccount
	}
	ca, err := m.sourceRoots()
	if err != nil {
		return nil, err
	}
	return &source.Web{Address: m.settings.Policy, Proxy: m.settings.Source.Proxy, CA: ca, Every: m.settings.Every(),
		Host: m.facts.ID, Policy: m.settings.Pin.Policy, Kept: kept, Keep: keep, Now: func() time.Time { return now },
		Ask: func(ctx context.Context, q source.Question) (source.Answer, error) {
			return source.Ask(ctx, m.host, account, q)
		}}, nil
}

// sourceRoots reads the roots that the address is verified by, "" for the
// machine's own.
func (m *machine) sourceRoots() (string, error) {
	name := m.settings.Source.CA
	if name == "" {
		return "", nil
	}
	if host.Privileged() {
		if _, err := m.host.Guarded(name); err != nil {
			return "", fmt.Errorf("cannot use the roots of the policy source: %w", err)
		}
	}
	data, err := m.host.ReadFile(name, source.MaxCA)
	if err != nil {
		return "", fmt.Errorf("cannot read the roots of the policy source: %w", err)
	}
	if !x509.NewCertPool().AppendCertsFromPEM(data) {
		return "", fmt.Errorf("cannot use the roots of the policy source: %s holds no certificate in PEM", name)
	}
	return string(data), nil
}

// verifies reports whether a copy would be believed now: only then may the
// source answer that there is no news.
func (m *machine) verifies(data []byte, pin policy.Pin, now time.Time) bool {
	open := policy.Open
	if bytes.Equal(data, m.memory.Held) {
		open = policy.Reopen
	}
	_, _, err := open(data, pin, m.memory.Floor, now)
	return data != nil && err == nil
}

// keepOffered stores what came from the address, before anything else: what it
// is worth is another question.
func (g got) keepOffered(state source.Dir) error {
	if !g.asked {
		return nil
	}
	if err := g.record.Keep(state, g.fresh); err != nil {
		return fmt.Errorf("cannot keep what the policy source offers: %w", err)
	}
	return nil
}
