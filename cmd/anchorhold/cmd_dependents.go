package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/dependent"
	"anchorhold.test/anchorhold/trust/root"
)

func (a *app) dependentsCommand() *cobra.Command {
	var folders []string
	c := &cobra.Command{
		Use:   "dependents SHA-256|FILE",
		Short: "Find what on this host still depends on a root, and until when",
		Long: `dependents lists the services, listeners and certificate files of this host
whose chain ends at a root, those that expire first above, and which other root
would carry each, so that you can choose the deadline on which the root goes.
Name the root by the first digits of its SHA-256, if the policy or this host's
store has it, or by its file.

It shakes hands with this host's listeners and the policy's services, and reads
the configurations of well-known servers and the files that they name, as an
account without rights. It changes nothing and needs no root: as root it can
name the program behind each listener. What it could not inspect, it lists.

Exit codes: 0 nothing depends on it, 1 something does, 2 nothing was found and
not everything could be inspected.`,
		Example: "  anchorhold dependents 4c31f2a9\n  anchorhold dependents harbour-root-2016.crt --folder /srv/harbour/tls",
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return errors.New("name one root: by the first digits of its SHA-256, or by its file")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			for i, dir := range folders {
				abs, err := filepath.Abs(dir)
				if err != nil {
					return fmt.Errorf("cannot look through %s: %w", dir, err)
				}
				folders[i] = filepath.ToSlash(abs)
			}
			s, err := a.scene(cmd.Context())
			if err != nil {
				return err
			}
			c, err := s.which(args[0])
			if err != nil {
				return err
			}
			d, err := a.findDependents(cmd.Context(), s, c, folders)
			if err != nil {
				return err
			}
			if a.json {
				return a.printDependents(s, d)
			}
			a.showDependents(s, d)
			return d.end()
		},
	}
	c.Flags().StringArrayVar(&folders, "folder", nil, "look through the certificate files of this `DIR` too, not those below it; may be repeated")
	return c
}

// findDependents asks services and looks through files, side by side.
func (a *app) findDependents(ctx context.Context, s *scene, c *root.Certificate, folders []string) (dependence, error) {
	if _, known := s.root(c.Fingerprint()); !known {
		s.more = append(s.more, trust.Root{Fingerprint: c.Fingerprint(), DER: c.Raw})
	}
	targets, blind := s.targets(ctx)
	q := dependent.Question{Roots: append(s.in[:len(s.in):len(s.in)], s.more...), Folders: folders, At: s.now}
	var files dependent.Answer
	var unread error
	var wg sync.WaitGroup
	wg.Go(func() { files, unread = lookThrough(ctx, s.host, q) })
	var verdicts []trust.Verdict
	var unable error
	if len(targets) > 0 {
		verdicts, unable = s.prober.Probe(ctx, targets, s.in, s.more)
	}
	wg.Wait()
	if err := errors.Join(unable, unread); err != nil {
		return dependence{}, err
	}
	d := dependentsOf(c, s.holds, verdicts, files)
	d.blind = append(blind, alwaysBlind...)
	return d, nil
}

// alwaysBlind is what no look at one host tells.
var alwaysBlind = []string{
	"clients of this host that check another host's service, and services that nobody listed: ask on their hosts, or let the policy watch them",
	"certificates of clients: which root a server asks of them stands in its own settings",
	"names of a server that shows another certificate to whoever gives none: let the policy watch them by name",
	"what runs in containers, what is served over UDP (QUIC), and servers whose settings lie elsewhere than their packages put them",
	"keys and certificates in hardware tokens, PKCS#12 files, databases and the certificate store of Windows",
}

// targets are the listeners of this host, the services that the policy has it
// watch, and what the agent itself needs.
func (s *scene) targets(ctx context.Context) (targets []trust.Target, blind []string) {
	look := agent.DefaultListeners()
	if s.m != nil {
		targets = append(agent.Watched(s.m.belief.Policy, s.m.facts), agent.Own(s.m.settings)...)
		look = s.m.settings.Listeners
	}
	if !look.Look {
		return targets, []string{"this host's listeners are not asked: its settings say so"}
	}
	own, blind := s.prober.Listeners(ctx)
	return append(targets, look.Asked(own)...), blind
}
