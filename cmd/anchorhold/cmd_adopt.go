package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strings"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/host"
)

func (a *app) adoptCommand() *cobra.Command {
	var reason string
	c := &cobra.Command{
		Use:   "adopt STARTER",
		Short: "Believe the keyset in a starter file from now on",
		Long: `adopt makes a starter file this host's settings. It is how a host gets its first
trust: whoever holds the keys named in it decides about every root of this
machine. Compare them with the signers before you say yes to them.

A host that believes another keyset already, or asks for a newer version, is
left as it is. To change that, say why with --repin; the reason goes into the
history. A host goes only up: the keyset must be newer than the one that it has
seen ('anchorhold keyset new --after'), and what it has seen stays its floor.
With another policy it begins at min_version, and does not go back in the first
one should it ever return. The ledger, and what is in the stores, stay.`,
		Example: `  anchorhold adopt starter.toml
  anchorhold adopt --repin "all keys lost in the fire of 3 May" starter.toml`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			reason = strings.TrimSpace(reason)
			if cmd.Flags().Changed("repin") && reason == "" {
				return errors.New("--repin needs a reason that somebody can read in the history later")
			}
			return a.adopt(cmd.Context(), args[0], reason)
		},
	}
	c.Flags().StringVar(&reason, "repin", "", "believe another keyset than before; the `REASON` goes into the history")
	return c
}

func (a *app) adopt(ctx context.Context, file, reason string) error {
	if !host.Privileged() {
		return fmt.Errorf(onlyRoot, "adopt")
	}
	data, err := readBounded(file, agent.MaxSettings)
	if err != nil {
		return err
	}
	dir := path.Dir(settingsPath)
	s, err := parseSettings(data, dir)
	if err != nil {
		return fmt.Errorf("cannot adopt %s: %w", file, err)
	}
	pin, err := s.Pin.Pin()
	if err != nil {
		return fmt.Errorf("cannot adopt %s: %w", file, err)
	}
	h := host.System()
	old, err := h.ReadFile(settingsPath, agent.MaxSettings)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("cannot read the settings: %w", err)
	}
	if err == nil && bytes.Equal(old, data) {
		fmt.Fprintln(a.out, "These are this host's settings already.")
		return a.tell(adopted(s, pin, false))
	}
	release, err := a.repin(ctx, h, old, pin, reason)
	if err != nil {
		return err
	}
	defer release()
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
	next := "put the policy there, then: sudo anchorhold preview"
	if s.Web() {
		next = "sudo anchorhold preview --fetch"
	}
	remark{"next", next}.write(a.out, a.colour())
}
