package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/root"
)

func (a *app) suspendCommand() *cobra.Command {
	var length string
	var end bool
	c := &cobra.Command{
		Use:   "suspend SHA-256 REASON",
		Short: "Keep one root on this host as it is, for at most 7 days",
		Long: `suspend stops every change of one root on this host until the time is over: it
is neither placed nor withdrawn, whatever the policy says, also if you took it
out or put it in by hand. The exit code of every run is 1 meanwhile, and
preview, verify and history tell why. It ends by itself, or with --end.

A root that the policy distrusts is refused at once, suspended or not.`,
		Example: `  anchorhold suspend 3f9a2c11 --for 48h "tide breaks with it, ask the office"
  anchorhold suspend 3f9a2c11 --end`,
		Args: cobra.RangeArgs(1, 2),
		RunE: func(cmd *cobra.Command, args []string) error {
			reason := ""
			if len(args) == 2 {
				reason = strings.TrimSpace(args[1])
			}
			switch {
			case end:
				return a.endSuspension(cmd.Context(), args[0], reason)
			case length == "":
				return errors.New("say for how long: --for 48h, at most 7d; or --end")
			case reason == "":
				return errors.New("say why, so that somebody can read it in the history later")
			}
			d, err := parseLength(length)
			if err != nil {
				return err
			}
			return a.suspend(cmd.Context(), args[0], d, reason)
		},
	}
	c.Flags().StringVar(&length, "for", "", "how `LONG`, as 90m, 48h or 7d")
	c.Flags().BoolVar(&end, "end", false, "let changes of the root go on now")
	c.MarkFlagsMutuallyExclusive("for", "end")
	return c
}

func parseLength(s string) (time.Duration, error) {
	if days, ok := strings.CutSuffix(s, "d"); ok {
		n, err := strconv.ParseUint(days, 10, 8)
		if err != nil {
			return 0, fmt.Errorf("%q is no length of time: 90m, 48h or 7d", s)
		}
		return time.Duration(n) * 24 * time.Hour, nil
	}
	d, err := time.ParseDuration(s)
	if err != nil {
		return 0, fmt.Errorf("%q is no length of time: 90m, 48h or 7d", s)
	}
	return d, nil
}

// ownRoot makes this run the one writer of the host, and finds the root that
// somebody means.
func (a *app) ownRoot(ctx context.Context, which string) (*machine, root.Fingerprint, func(), error) {
	release, err := a.own(ctx, "suspend")
	if err != nil {
		return nil, root.Fingerprint{}, nil, err
	}
	m, err := a.machine(ctx, nil)
	if err == nil {
		var fp root.Fingerprint
		if fp, err = m.which(which); err == nil {
			return m, fp, release, nil
		}
	}
	release()
	return nil, root.Fingerprint{}, nil, err
}

func (a *app) suspend(ctx context.Context, which string, length time.Duration, reason string) error {
	m, fp, release, err := a.ownRoot(ctx, which)
	if err != nil {
		return err
	}
	defer release()
	wants, _ := agent.Wants(m.belief.Policy, m.facts)
	for _, w := range wants {
		if w.Root.Fingerprint == fp && w.Standing == policy.Distrusted {
			return verdict{exitWrong, fmt.Errorf("cannot suspend %s: the policy distrusts it, and nothing holds that back; ask its signers", fp.Short())}
		}
	}
	now := m.now(a)
	next, one, err := m.suspended.Begin(fp, length, reason, now)
	if err != nil {
		return err
	}
	e := ledger.Event{Time: now, Root: fp, Op: ledger.Suspend, Status: ledger.Done, Why: reason, Until: &one.Until}
	if err := a.keepSuspended(ctx, m, next, e); err != nil {
		return err
	}
	fmt.Fprintf(a.out, "Suspended: nothing changes %s on this host until %s.\n", m.label(fp), one.Until.Format(minute))
	if !m.names(fp) {
		remark{"note", "the policy in force does not name this root"}.write(a.out, a.colour())
	}
	remark{"next", "to end it earlier: anchorhold suspend " + fp.Short() + " --end"}.write(a.out, a.colour())
	return a.tell(map[string]any{"suspended": one})
}

func (a *app) endSuspension(ctx context.Context, which, reason string) error {
	m, fp, release, err := a.ownRoot(ctx, which)
	if err != nil {
		return err
	}
	defer release()
	now := m.now(a)
	next, was := m.suspended.End(fp, now)
	if !was {
		fmt.Fprintf(a.out, "%s is not suspended.\n", m.label(fp))
		return a.tell(map[string]any{"sha256": fp, "ended": false})
	}
	if reason == "" {
		reason = "ended before its time"
	}
	if err := a.keepSuspended(ctx, m, next, ledger.Event{Time: now, Root: fp, Op: ledger.Resume, Status: ledger.Done, Why: reason}); err != nil {
		return err
	}
	fmt.Fprintf(a.out, "No longer suspended: %s.\n", m.label(fp))
	remark{"next", "sudo anchorhold enforce"}.write(a.out, a.colour())
	return a.tell(map[string]any{"sha256": fp, "ended": true})
}

// keepSuspended tells the history first, then stores what is suspended and
// publishes it, so that everybody who looks sees it from now on.
func (a *app) keepSuspended(ctx context.Context, m *machine, next agent.Suspensions, e ledger.Event) error {
	d, err := m.host.Dir(statePath)
	if err != nil {
		return err
	}
	defer d.Close()
	if p := m.belief.Policy; !p.IsZero() {
		e.Policy = agent.PolicyName(p)
	}
	if err := ledger.Tell(writable{d}, e); err != nil {
		return err
	}
	if err := next.Keep(writable{d}); err != nil {
		return err
	}
	m.suspended = next
	return m.publish(m.agent.Look(ctx, m.order(a)), nil)
}

// minPrefix is how many digits name a root of the policy.
const minPrefix = 8

// which finds the root that somebody means: by its whole fingerprint, or by
// the first digits of one that the policy names or that is suspended.
func (m *machine) which(s string) (root.Fingerprint, error) {
	s = strings.ToLower(strings.ReplaceAll(s, ":", ""))
	if fp, err := root.ParseFingerprint(s); err == nil {
		return fp, nil
	}
	if len(s) < minPrefix || strings.Trim(s, "0123456789abcdef") != "" {
		return root.Fingerprint{}, fmt.Errorf("%s is no SHA-256: give it whole, or at least its first %d digits", root.Safe(s, maxShown), minPrefix)
	}
	found := map[root.Fingerprint]bool{}
	for _, r := range m.belief.Policy.Document().Roots {
		if strings.HasPrefix(r.SHA256.String(), s) {
			found[r.SHA256] = true
		}
	}
	for _, one := range m.suspended {
		if strings.HasPrefix(one.Root.String(), s) {
			found[one.Root] = true
		}
	}
	for fp := range found {
		if len(found) == 1 {
			return fp, nil
		}
	}
	if len(found) > 1 {
		return root.Fingerprint{}, fmt.Errorf("%d roots begin with %s: give more digits", len(found), s)
	}
	return root.Fingerprint{}, fmt.Errorf("no root of the policy in force begins with %s; give the whole SHA-256 of another one", s)
}

// now is the time that suspensions are made by: that of the policy, which does
// not believe a clock that is behind.
func (m *machine) now(a *app) time.Time {
	if p := m.belief.Policy; !p.IsZero() {
		return p.Now()
	}
	return a.now()
}

func (m *machine) names(fp root.Fingerprint) bool { return m.labelOf(fp) != "" }

func (m *machine) labelOf(fp root.Fingerprint) string {
	for _, r := range m.belief.Policy.Document().Roots {
		if r.SHA256 == fp {
			return r.Label
		}
	}
	return ""
}

func (m *machine) label(fp root.Fingerprint) string {
	return strings.TrimSpace(m.labelOf(fp) + "  " + fp.Short())
}
