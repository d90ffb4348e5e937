package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"strings"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/host"
)

func (a *app) adoptCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "adopt STARTER",
		Short: "Believe the keyset in a starter file from now on",
		Long: `adopt makes a starter file this host's settings. It is how a host gets its first
trust: whoever holds the keys named in it decides about every root of this
machine. Compare them with the signers before you say yes to them. A host that
believes another keyset already is left as it is.`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { return a.adopt(args[0]) },
	}
}

func (a *app) adopt(file string) error {
	if os.Geteuid() != 0 {
		return errors.New("only root may say whom this host believes: sudo anchorhold adopt")
	}
	data, err := readBounded(file, agent.MaxSettings)
	if err != nil {
		return err
	}
	dir := path.Dir(settingsPath)
	s, err := agent.ParseSettings(data, dir)
	if err != nil {
		return fmt.Errorf("cannot adopt %s: %w", file, err)
	}
	pin, err := s.Pin.Pin()
	if err != nil {
		return fmt.Errorf("cannot adopt %s: %w", file, err)
	}
	h := host.System()
	old, err := h.ReadFile(settingsPath, agent.MaxSettings)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return fmt.Errorf("cannot read the settings: %w", err)
	case bytes.Equal(old, data):
		fmt.Fprintln(a.out, "These are this host's settings already.")
		return a.tell(adopted(s, pin, false))
	default:
		if err := samePin(old, dir, pin); err != nil {
			return err
		}
	}
	d, err := h.Ensure(dir, 0o755)
	if err != nil {
		return err
	}
	defer d.Close()
	if err := d.Write(path.Base(settingsPath), data, 0o644); err != nil {
		return err
	}
	a.showAdopted(s, pin)
	return a.tell(adopted(s, pin, true))
}

func adopted(s agent.Settings, pin policy.Pin, changed bool) map[string]any {
	m := keysetMembers(pin.Keyset)
	m["source"], m["changed"] = s.Policy, changed
	return m
}

// samePin lets settings change and refuses another keyset: whoever could
// change the pin by a file could change every root.
func samePin(old []byte, dir string, pin policy.Pin) error {
	was, err := agent.ParseSettings(old, dir)
	if err != nil {
		return fmt.Errorf("cannot tell whom this host believes now: %w; mend or move %s away by hand", err, settingsPath)
	}
	p, err := was.Pin.Pin()
	if err != nil {
		return fmt.Errorf("cannot tell whom this host believes now: %w", err)
	}
	if !p.Keyset.Same(pin.Keyset) {
		return verdict{exitWrong, fmt.Errorf("cannot adopt it: this host believes another keyset, of policy %s with keys %s; if that is what has to change, move %s away by hand and adopt again",
			p.Keyset.Policy, strings.Join(keyIDs(p.Keyset), ", "), settingsPath)}
	}
	return nil
}

func (a *app) showAdopted(s agent.Settings, pin policy.Pin) {
	k := pin.Keyset
	fmt.Fprintf(a.out, "This host believes policy %s from now on, when %d of %s signed it:\n", k.Policy, k.Threshold, count(len(k.Keys), "key", "keys"))
	for _, id := range keyIDs(k) {
		fmt.Fprintf(a.out, "  %s\n", id)
	}
	fmt.Fprintf(a.out, "It reads the policy from %s.\n", s.Policy)
	if k.Threshold == 1 {
		fmt.Fprintln(a.out, paint("One key decides alone: whoever gets it can put any root on this host.", uneasy, a.colour()))
	}
	remark{"next", "put the policy there, then: sudo anchorhold preview"}.write(a.out, a.colour())
}
