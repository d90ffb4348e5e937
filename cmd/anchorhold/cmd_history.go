package main

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
)

func (a *app) historyCommand() *cobra.Command {
	var of string
	var last int
	c := &cobra.Command{
		Use:   "history",
		Short: "Show every change made, tried or decided on this host, and why",
		Args:  cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			events, damaged, err := ledger.History(readOnly{host.System(), statePath})
			if errors.Is(err, fs.ErrPermission) {
				return fmt.Errorf("only root may read this host's history: sudo anchorhold history")
			}
			if err != nil {
				return err
			}
			if events, err = about(events, of); err != nil {
				return err
			}
			if last > 0 && len(events) > last {
				events = events[len(events)-last:]
			}
			if a.json {
				return encode(a.result, map[string]any{"schema": jsonSchema, "exit": exitRight, "events": append([]ledger.Event{}, events...), "damaged": damaged})
			}
			a.showHistory(events, damaged)
			return nil
		},
	}
	c.Flags().StringVar(&of, "root", "", "only changes of the root with this `SHA-256` (its first digits do)")
	c.Flags().IntVar(&last, "last", 0, "only the last `N` changes")
	return c
}

func about(events []ledger.Event, of string) ([]ledger.Event, error) {
	if of == "" {
		return events, nil
	}
	prefix := strings.ToLower(strings.ReplaceAll(of, ":", ""))
	var mine []ledger.Event
	seen := map[root.Fingerprint]bool{}
	for _, e := range events {
		if strings.HasPrefix(e.Root.String(), prefix) {
			mine, seen[e.Root] = append(mine, e), true
		}
	}
	if len(seen) > 1 {
		return nil, fmt.Errorf("%d roots begin with %s: give more digits", len(seen), of)
	}
	return mine, nil
}

func (a *app) showHistory(events []ledger.Event, damaged int) {
	if len(events) == 0 {
		fmt.Fprintln(a.out, "No change was made here yet.")
	} else {
		t := table{head: []string{"WHEN", "CHANGE", "ROOT", "STORE", "ENDED", "READ BACK", "PROVEN BY"}}
		for _, e := range events {
			end := cell{e.Status, good}
			if e.Status != ledger.Done {
				end.tint = bad
			}
			t.add(eventRemarks(e), cell{e.Time.Format("2006-01-02 15:04:05Z"), faint}, cell{string(e.Op), plain}, cell{eventRoot(e), plain},
				cell{string(e.Store), plain}, end, cell{string(e.State), plain}, cell{strings.Join(e.Proven, ", "), plain})
		}
		t.write(a.out, a.colour())
	}
	if damaged > 0 {
		fmt.Fprintf(a.out, "\n%s of the history cannot be read any more.\n", count(damaged, "line", "lines"))
	}
}

func eventRoot(e ledger.Event) string {
	if e.Root.IsZero() {
		return "-"
	}
	return e.Root.Short()
}

func eventRemarks(e ledger.Event) []remark {
	why := escape(e.Why)
	if e.Policy != "" {
		why += " (policy " + e.Policy + ")"
	}
	say := []remark{{"why", why}}
	note := func(text string) { say = append(say, remark{"note", text}) }
	if e.Error != "" {
		note(e.Error)
	}
	if e.Until != nil {
		note("until " + e.Until.Format("2006-01-02 15:04:05Z"))
	}
	if e.Was != nil {
		note("believed before: " + believed(*e.Was))
	}
	if e.Is != nil {
		note("believed since: " + believed(*e.Is))
	}
	return say
}

func believed(t ledger.Trust) string {
	return fmt.Sprintf("keyset %s of policy %s, %d of %s, from version %d on", t.Keyset, t.Policy, t.Threshold, strings.Join(t.Keys, ", "), t.MinVersion)
}
