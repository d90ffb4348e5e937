package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

func (a *app) enforceCommand() *cobra.Command {
	var file string
	var force forced
	c := &cobra.Command{
		Use:   "enforce",
		Short: "Make this host's stores as the policy says, once, and prove it",
		Long: `enforce goes through once: it opens the policy, compares every store with what
is due on this host, makes the changes with one refresh of the platform for all
of them, reads back, and has accounts without privileges prove the result. Run
again it changes nothing. Where the policy comes by http or https, an account
without rights fetches it first.

Every TLS library of the host reads the store before, as it would be, and after:
nothing goes live that costs one of them a root that nobody took out.

Taking a retired root out can break whatever still depends on it. So the
policy's services and this host's own TLS listeners are asked first what they
serve, and a withdraw is held, naming each that would verify no longer and each
of which nothing is known. It goes by itself once they moved or its deadline has
passed, or when you give a reason with --force; where several are held, --root
says which one the reason is about. No reason lets a root go before its
successor is in place. A root that the policy distrusts is refused at once, and
what that breaks is told.`,
		Example: `  anchorhold enforce
  anchorhold enforce --policy /media/usb/harbour.policy
  anchorhold enforce --force "tide and crane moved, checked by hand on 3 May"`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := force.check(cmd); err != nil {
				return err
			}
			byHand, err := a.handed(file)
			if err != nil {
				return err
			}
			release, err := a.own(cmd.Context(), "enforce")
			if err != nil {
				return err
			}
			defer release()
			return a.enforce(cmd.Context(), byHand, &force)
		},
	}
	c.Flags().StringVar(&file, "policy", "", "import this policy `FILE` by hand instead of reading the settings' source (- is standard input)")
	force.flags(c, "withdraw although services could break; the `REASON` goes into the history")
	return c
}

// enforce goes through once, as the one writer of the host. Whatever was done
// is told, also where the run ends in an error.
func (a *app) enforce(ctx context.Context, byHand *given, force *forced) error {
	m, err := a.machineAsking(ctx, byHand, a.asks())
	if err != nil {
		return err
	}
	order, err := force.order(a, m)
	if err != nil {
		return err
	}
	if err := m.keep(); err != nil {
		return err
	}
	order.Host = m.facts // the first run makes the host's identity
	r, failed := m.agent.Cycle(ctx, order)
	failed = errors.Join(failed, m.publish(r, failed))
	if a.json && failed == nil {
		return a.printEnforced(m, r)
	}
	a.showChanges(r)
	a.showWitnesses(r)
	a.showHeld(r, false)
	a.showUnseen(r)
	if failed != nil {
		return verdict{exitUnknown, failed}
	}
	if len(r.Changes)+len(r.Held) > 0 {
		fmt.Fprintln(a.out)
	}
	return a.show(m, r)
}

var didDo = map[trust.Op]string{
	trust.Place: "placed", trust.Withdraw: "withdrew", trust.Block: "blocked", trust.Unblock: "unblocked",
}

// whence is how a change is joined to its store.
var whence = map[trust.Op]string{trust.Place: "in", trust.Withdraw: "from", trust.Block: "in", trust.Unblock: "in"}

// named is how a root is called on a screen: by its label, where the policy has
// one, and its fingerprint.
func named(r agent.Result, fp root.Fingerprint) string {
	for _, row := range r.Rows {
		if row.Want.Root.Fingerprint == fp {
			return row.Want.Label + "  " + fp.Short() + " "
		}
	}
	return fp.Short()
}

func (a *app) showChanges(r agent.Result) {
	for _, c := range r.Changes {
		name := named(r, c.Change.Root.Fingerprint)
		if c.Err != nil {
			fmt.Fprintf(a.out, "%s %s %s store %s\n", paint("could not "+string(c.Change.Op), bad, a.colour()), name, whence[c.Change.Op], c.Change.Store)
			remark{"why", c.Err.Error()}.write(a.out, a.colour())
		} else {
			fmt.Fprintf(a.out, "%s %s %s store %s\n", paint(didDo[c.Change.Op], good, a.colour()), name, whence[c.Change.Op], c.Change.Store)
			remark{"why", c.Change.Why}.write(a.out, a.colour())
		}
		a.showAbsent(c)
		for _, n := range c.Notes {
			remark{"note", n}.write(a.out, a.colour())
		}
	}
}
