package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

func (a *app) enforceCommand() *cobra.Command {
	var file, force string
	c := &cobra.Command{
		Use:   "enforce",
		Short: "Make this host's stores as the policy says, once, and prove it",
		Long: `enforce goes through once: it opens the policy, compares every store with what
is due on this host, makes the changes with one refresh of the platform for all
of them, reads back, and has accounts without privileges prove the result. Run
again it changes nothing.

Every TLS library of the host reads the store before, as it would be, and after:
nothing goes live that costs one of them a root that nobody took out.

Taking a retired root out can break whatever still depends on it, so a withdraw
is held until its deadline has passed or you give a reason with --force. A root
that the policy distrusts is refused at once.`,
		Example: `  anchorhold enforce
  anchorhold enforce --policy /media/usb/harbour.policy
  anchorhold enforce --force "tide and crane moved, checked by hand on 3 May"`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			force = strings.TrimSpace(force)
			if cmd.Flags().Changed("force") && force == "" {
				return fmt.Errorf("--force needs a reason that somebody can read in the history later")
			}
			release, err := a.own(cmd.Context())
			if err != nil {
				return err
			}
			defer release()
			m, err := a.machine(cmd.Context(), file)
			if err != nil {
				return err
			}
			if err := m.keep(); err != nil {
				return err
			}
			r, err := m.agent.Cycle(cmd.Context(), m.order(a, force))
			if err != nil {
				return err
			}
			if err := m.publish(r); err != nil {
				return err
			}
			if a.json {
				return a.printEnforced(m, r)
			}
			a.showChanges(r)
			a.showWitnesses(r)
			a.showHeld(r, false)
			if len(r.Changes)+len(r.Held) > 0 {
				fmt.Fprintln(a.out)
			}
			return a.show(m, r)
		},
	}
	c.Flags().StringVar(&file, "policy", "", "import this policy `FILE` by hand instead of reading the settings' source (- is standard input)")
	c.Flags().StringVar(&force, "force", "", "withdraw although services could break; the `REASON` goes into the history")
	return c
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
		for _, n := range c.Notes {
			remark{"note", n}.write(a.out, a.colour())
		}
	}
}
