package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/probe"
	"anchorhold.test/anchorhold/trust/reader"
)

// Bounds of waiting for a renewed certificate.
const (
	waitPause = 2 * time.Second
	waitMost  = 24 * time.Hour
)

// probing is what one probe command is about.
type probing struct {
	name, startTLS, list string
	chain, key           string
	wait                 time.Duration
}

func (a *app) probeCommand() *cobra.Command {
	var p probing
	c := &cobra.Command{
		Use:   "probe [HOST[:PORT]...]",
		Short: "See whether services verify with this host's own store",
		Long: `probe shakes hands with each service, at all of its addresses, and judges what
it really sends by the roots of this host's machine store: name, dates, the
chain and the root it ends at, keys and signatures, DNS both ways. Each finding
says what users will see and what to do. Nothing beyond the handshake is sent;
as root it runs as an account without rights. Revocation is not checked.

Without a service it probes those that the policy has this host watch, and as
root the host remembers for 7 days by which roots they verify. With --chain it
judges a renewed certificate before you install it, and connects to nobody. With
--wait it waits until the service serves another certificate than now, and one
that verifies.

Exit codes: 0 all verify, 1 one does not, 2 could not tell.`,
		Example: "  anchorhold probe tide.harbour.test:8443\n" +
			"  anchorhold probe mail.harbour.test --starttls smtp\n" +
			"  anchorhold probe --chain tide.pem --key tide.key --name tide.harbour.test\n" +
			"  anchorhold probe tide.harbour.test --wait 5m",
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := p.check(cmd, args); err != nil {
				return err
			}
			s, err := a.scene(cmd.Context())
			if err != nil {
				return err
			}
			verdicts, err := a.probe(cmd.Context(), s, p, args)
			if err == nil && len(args) == 0 && p.list == "" && p.chain == "" {
				err = a.remember(cmd.Context(), s, verdicts)
			}
			if err != nil {
				return err
			}
			if a.json {
				return a.printVerdicts(s, verdicts)
			}
			a.showVerdicts(s, verdicts)
			return probed(verdicts)
		},
	}
	c.Flags().StringVar(&p.name, "name", "", "the `NAME` that must verify, where it is not the address's host")
	c.Flags().StringVar(&p.startTLS, "starttls", "", "begin TLS within `PROTOCOL`: smtp or ldap")
	c.Flags().StringVar(&p.list, "list", "", "read services from `FILE`: a line each, host:port [name=NAME] [starttls=smtp|ldap]")
	c.Flags().StringVar(&p.chain, "chain", "", "judge the certificate chain in `FILE` instead of a service")
	c.Flags().StringVar(&p.key, "key", "", "with --chain: see whether the private key in `FILE` belongs to it; it is not shown or kept")
	c.Flags().DurationVar(&p.wait, "wait", 0, "wait up to `TIME` (5m) until the service serves another certificate that verifies")
	return c
}

func (p probing) check(c *cobra.Command, args []string) error {
	switch {
	case p.chain == "" && p.key != "":
		return errors.New("--key belongs to --chain")
	case p.chain != "" && (len(args) > 0 || p.list != "" || p.startTLS != "" || c.Flags().Changed("wait")):
		return errors.New("--chain judges files and connects to nobody: leave services, --list, --starttls and --wait out")
	case p.chain != "" && p.name == "":
		return errors.New("--chain needs the name that clients will use: --name tide.harbour.test")
	case p.chain == "" && p.name != "" && len(args) != 1:
		return errors.New("--name is about one service")
	case c.Flags().Changed("wait") && (len(args) != 1 || p.list != ""):
		return errors.New("--wait waits for one service")
	case c.Flags().Changed("wait") && (p.wait <= 0 || p.wait > waitMost):
		return fmt.Errorf("--wait takes a time of at most %d hours, such as 5m", waitMost/time.Hour)
	}
	return nil
}

// remember keeps what the services of the policy told: where one does not answer
// later, that counts. Only root may keep anything.
func (a *app) remember(ctx context.Context, s *scene, verdicts []trust.Verdict) error {
	if s.m == nil || !reader.CanAskOthers() {
		return nil
	}
	release, err := a.own(ctx, "probe")
	if err != nil {
		return err
	}
	defer release()
	d, err := s.host.Dir(statePath)
	if err != nil {
		return err
	}
	defer d.Close()
	return agent.Remember(writable{d}, verdicts, s.now)
}

func (a *app) probe(ctx context.Context, s *scene, p probing, args []string) ([]trust.Verdict, error) {
	if p.chain != "" {
		v, err := a.files(s, p)
		return []trust.Verdict{v}, err
	}
	targets, err := a.targets(s, p, args)
	if err != nil {
		return nil, err
	}
	if p.wait > 0 {
		v, err := a.await(ctx, s, targets[0], p.wait)
		return []trust.Verdict{v}, err
	}
	return s.prober.Probe(ctx, targets, s.in, s.more)
}

// targets are the services that were named, or those that this host watches.
func (a *app) targets(s *scene, p probing, args []string) ([]trust.Target, error) {
	var targets []trust.Target
	for _, arg := range args {
		t, err := probe.ParseTarget(arg, p.startTLS, p.name)
		if err != nil {
			return nil, fmt.Errorf("cannot probe: %w", err)
		}
		targets = append(targets, t)
	}
	if p.list != "" {
		data, err := waiting(a, func() ([]byte, error) { return readBounded(p.list, probe.MaxList) })
		if err != nil {
			return nil, fmt.Errorf("cannot read the list of services: %w", err)
		}
		some, err := probe.ReadList(data)
		if err != nil {
			return nil, fmt.Errorf("cannot read the list of services %s: %w", p.list, err)
		}
		targets = append(targets, some...)
	}
	if len(args) == 0 && p.list == "" {
		if s.m == nil {
			return nil, errors.New("this host follows no policy that would name services: name one, such as tide.harbour.test:8443")
		}
		targets = slices.Concat(agent.Watched(s.m.belief.Policy, s.m.facts), agent.Own(s.m.settings))
		if len(targets) == 0 {
			return nil, errors.New("the policy has this host watch no service: name one, such as tide.harbour.test:8443")
		}
	}
	if len(targets) > probe.MaxTargets {
		return nil, fmt.Errorf("cannot probe more than %d services at once", probe.MaxTargets)
	}
	return targets, nil
}

// files judges a certificate before it is installed.
func (a *app) files(s *scene, p probing) (trust.Verdict, error) {
	chain, err := waiting(a, func() ([]byte, error) { return readBounded(p.chain, probe.MaxFile) })
	if err != nil {
		return trust.Verdict{}, fmt.Errorf("cannot read the chain: %w", err)
	}
	var key []byte
	if p.key != "" {
		if key, err = waiting(a, func() ([]byte, error) { return readBounded(p.key, probe.MaxFile) }); err != nil {
			return trust.Verdict{}, fmt.Errorf("cannot read the key: %w", err)
		}
	}
	v, err := probe.Files(chain, key, p.name, s.in, s.more, s.now)
	if err != nil {
		return v, fmt.Errorf("cannot judge %s: %w", p.chain, err)
	}
	v.Target.Address = p.chain
	return v, nil
}

// await probes until every address serves another certificate than at first,
// and one that verifies, or the time is over.
func (a *app) await(ctx context.Context, s *scene, t trust.Target, limit time.Duration) (trust.Verdict, error) {
	called := ctx
	ctx, stop := context.WithTimeout(ctx, limit)
	defer stop()
	var first *trust.Verdict
	var last trust.Verdict
	for {
		all, err := s.prober.Probe(ctx, []trust.Target{t}, s.in, s.more)
		switch {
		case err != nil && ctx.Err() == nil:
			return last, err
		case err == nil:
			last = all[0]
			if first == nil && serials(last) != "" {
				seen := last
				first = &seen
				fmt.Fprintf(a.out, "Now  %s serves serial %s; waiting up to %s for another.\n", t.Address, serials(last), lengthWords(limit))
			}
			if first != nil && last.Answer == trust.Verifies && renewed(*first, last) {
				fmt.Fprintf(a.out, "New  %s serves serial %s; before it was %s.\n\n", t.Address, serials(last), serials(*first))
				return last, nil
			}
		}
		select {
		case <-ctx.Done():
			if called.Err() != nil {
				return last, errCalledOff
			}
			return last, verdict{exitWrong, fmt.Errorf("%s serves no new certificate that verifies within %s: %s", t.Address, lengthWords(limit), stillServes(first, last))}
		case <-time.After(waitPause):
		}
	}
}

// renewed reports whether no address serves a certificate any more that was
// served before.
func renewed(before, after trust.Verdict) bool {
	old := leaves(before)
	return len(leaves(after)) > 0 && !slices.ContainsFunc(leaves(after), func(c trust.ServedCertificate) bool {
		return slices.ContainsFunc(old, func(o trust.ServedCertificate) bool { return o.SHA256 == c.SHA256 })
	})
}

// lengthWords writes a length of time as people type it: 5m, not 5m0s.
func lengthWords(d time.Duration) string {
	s := d.String()
	if cut, ok := strings.CutSuffix(s, "m0s"); ok {
		s = cut + "m"
	}
	if cut, ok := strings.CutSuffix(s, "h0m"); ok {
		s = cut + "h"
	}
	return s
}

func stillServes(first *trust.Verdict, last trust.Verdict) string {
	s := serials(last)
	switch {
	case s == "":
		return "it serves none"
	case first != nil && s == serials(*first):
		return "it serves serial " + s + ", as when this began; if it was renewed before that, this is the new one"
	}
	return "it serves serial " + s
}

// probed is the verdict of the command.
func probed(verdicts []trust.Verdict) error {
	code := exitRight
	for _, v := range verdicts {
		switch v.Answer {
		case trust.Verifies:
		case trust.Fails:
			return verdict{code: exitWrong}
		default:
			code = exitUnknown
		}
	}
	if code == exitRight {
		return nil
	}
	return verdict{code: code}
}
