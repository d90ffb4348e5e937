package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strings"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/host"
)

// repin lets settings change as they like while they pin the same keyset and
// no lower version. Whoever could change the pin by a file alone could change
// every root, so anything else takes a reason, and is told in the history.
// old are the settings until now, nil where there are none. The caller writes
// the new ones before it releases the host.
func (a *app) repin(ctx context.Context, h *host.Host, old []byte, pin policy.Pin, reason string) (release func(), err error) {
	_, err = h.Stat(statePath)
	if known := err == nil; !known && old == nil {
		return func() {}, nil // a host that begins
	}
	if release, err = a.own(ctx, "adopt"); err != nil {
		return nil, err
	}
	if err := a.repinOwned(h, old, pin, reason); err != nil {
		release()
		return nil, err
	}
	return release, nil
}

func (a *app) repinOwned(h *host.Host, old []byte, pin policy.Pin, reason string) error {
	d, err := h.Dir(statePath)
	if err != nil {
		return err
	}
	defer d.Close()
	state := writable{d}

	m, err := agent.Recall(state, pin.Keyset.Policy)
	if err != nil {
		return err
	}
	var was policy.Pin
	var free bool
	if old != nil {
		was, err = pinOf(old)
		if err != nil && reason == "" {
			return fmt.Errorf("cannot tell whom this host believes now: %w; mend %s, or say why it is to believe another keyset: anchorhold adopt --repin REASON STARTER", err, settingsPath)
		}
		free = err == nil && was.Keyset.Same(pin.Keyset) && pin.MinVersion >= was.MinVersion
	} else {
		free = agent.Adoptable(m, pin, a.now())
	}
	believed := was
	if !m.Floor.IsZero() {
		believed.Keyset = m.Floor.Keyset // as far as its walk has come
	}
	switch {
	case free:
		return nil
	case reason == "":
		return verdict{exitWrong, fmt.Errorf("cannot adopt it: %s; if that is what has to change, say why: anchorhold adopt --repin REASON STARTER", difference(was, believed, pin))}
	}
	if err := agent.Repin(state, was, pin, reason, a.now()); err != nil {
		return err
	}
	if k := believed.Keyset; !k.IsZero() {
		fmt.Fprintf(a.out, "No longer believed: %s.\n", keysetWords(k))
	}
	return nil
}

func pinOf(settings []byte) (policy.Pin, error) {
	s, err := parseSettings(settings, path.Dir(settingsPath))
	if err != nil {
		return policy.Pin{}, err
	}
	return s.Pin.Pin()
}

// difference says what keeps a pin from being adopted without a reason.
func difference(was, believed, is policy.Pin) string {
	if was.Keyset.Same(is.Keyset) && was.MinVersion > is.MinVersion {
		return fmt.Sprintf("this host asks for version %d at least, and the file for %d", was.MinVersion, is.MinVersion)
	}
	if believed.Keyset.IsZero() {
		return "this host has followed a policy that the file's keyset did not sign"
	}
	return fmt.Sprintf("this host believes %s, and the file names %s", keysetWords(believed.Keyset), keysetWords(is.Keyset))
}

func keysetWords(k policy.Keyset) string {
	return fmt.Sprintf("keyset %s of policy %s with keys %s", k.Number(), k.Policy, strings.Join(keyIDs(k), ", "))
}

// Remove takes a file out of the state folder.
func (w writable) Remove(name string) error {
	if err := w.Dir.Remove(name); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return fs.ErrNotExist
		}
		return err
	}
	return w.Sync()
}
