package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/trust"
)

func (a *app) verifyCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "verify",
		Short: "Show what is true of each root on this host, and prove it",
		Long: `verify looks at every store that the policy names, asks the accounts of the
settings to read each root themselves and to validate a certificate with it, and
says under whatever is not right why, and what to do. How far one root has taken
over from another it tells by what services said last. It changes nothing, opens
no connection and needs no root; what it cannot see as you, it names. A policy
that comes by http or https is the one that 'enforce' fetched last.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			m, err := a.machine(cmd.Context(), nil)
			if err != nil {
				return err
			}
			r := m.agent.Look(cmd.Context(), m.order(a))
			return a.show(m, r)
		},
	}
}

func (a *app) previewCommand() *cobra.Command {
	var file string
	var fetch bool
	var force forced
	c := &cobra.Command{
		Use:   "preview",
		Short: "Show what enforce would do now, and what it would hold back",
		Long: `preview opens the policy, looks at every store, and lists each change that
'anchorhold enforce' would make now, and each that it would hold back, with the
reason. Where a root would go out it asks the services of the policy and this
host's own TLS listeners what they serve: who would verify no longer is named.
It changes nothing and needs no root. The exit code is 1 while anything is due.

A policy that comes by http or https is the one that 'enforce' fetched last;
with --fetch it is asked for anew, and not kept.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := force.check(cmd); err != nil {
				return err
			}
			byHand, err := a.handed(file)
			if err != nil {
				return err
			}
			how := fromCopy
			if fetch {
				how = a.asks()
			}
			m, err := a.machineAsking(cmd.Context(), byHand, how)
			if err != nil {
				return err
			}
			if fetch && !m.settings.Web() {
				return fmt.Errorf("nothing is to be fetched: this host reads its policy from the file %s", m.settings.Policy)
			}
			order, err := force.order(a, m)
			if err != nil {
				return err
			}
			r := m.agent.Preview(cmd.Context(), order)
			if a.json {
				return a.printJSON(m, r)
			}
			a.showPolicy(m)
			a.showSuspended(m, r)
			a.showPlan(r)
			a.showUnseen(r)
			a.showSuccessions(r)
			a.showStores(r)
			return judged(m.belief, r)
		},
	}
	c.Flags().StringVar(&file, "policy", "", "look at this policy `FILE` instead of the settings' source (- is standard input)")
	c.Flags().BoolVar(&fetch, "fetch", false, "ask the address of the settings now, and keep nothing of it")
	c.MarkFlagsMutuallyExclusive("policy", "fetch")
	force.flags(c, "show what would happen with --force and this `REASON`")
	return c
}

// show writes a result and returns its verdict.
func (a *app) show(m *machine, r agent.Result) error {
	if a.json {
		return a.printJSON(m, r)
	}
	a.showPolicy(m)
	a.showSuspended(m, r)
	if !m.belief.Policy.IsZero() {
		a.showRows(r, "PROVEN BY")
	}
	a.showSuccessions(r)
	a.showStores(r)
	a.showEnd(r)
	a.showUnasked(m)
	return judged(m.belief, r)
}

var willDo = map[trust.Op]string{
	trust.Place: "place", trust.Withdraw: "withdraw", trust.Block: "block", trust.Unblock: "unblock",
}

func (a *app) showPlan(r agent.Result) {
	if len(r.Planned)+len(r.Held) == 0 {
		fmt.Fprintln(a.out, "Nothing is due: enforce would change nothing.")
	}
	for _, s := range r.Planned {
		fmt.Fprintf(a.out, "%s %s  %s  %s store %s\n", paint(fmt.Sprintf("would %-9s", willDo[s.Change.Op]), good, a.colour()), s.Want.Label, s.Change.Root.Fingerprint.Short(), whence[s.Change.Op], s.Change.Store)
		remark{"why", s.Change.Why}.write(a.out, a.colour())
		a.showBreaks(s)
	}
	a.showHeld(r, true)
	a.showTrials(r)
}

// showHeld tells what waits; what to do is left out where a table tells it.
func (a *app) showHeld(r agent.Result, next bool) {
	for _, h := range r.Held {
		fmt.Fprintf(a.out, "%s %s  %s  %s store %s\n", paint("holds the "+string(h.Change.Op)+" of", uneasy, a.colour()), h.Want.Label, h.Change.Root.Fingerprint.Short(), whence[h.Change.Op], h.Change.Store)
		remark{"why", h.Reason}.write(a.out, a.colour())
		if next {
			remark{"next", h.Next}.write(a.out, a.colour())
		}
	}
}
