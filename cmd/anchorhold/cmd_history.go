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
		Short: "Show every change made or tried on this host, and why",
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
			if e.Status != "done" {
				end.tint = bad
			}
			say := []remark{{"why", e.Why + " (policy " + e.Policy + ")"}}
			if e.Error != "" {
				say = append(say, remark{"note", e.Error})
			}
			t.add(say, cell{e.Time.Format("2006-01-02 15:04:05Z"), faint}, cell{string(e.Op), plain}, cell{e.Root.Short(), plain},
				cell{string(e.Store), plain}, end, cell{string(e.State), plain}, cell{strings.Join(e.Proven, ", "), plain})
		}
		t.write(a.out, a.colour())
	}
	if damaged > 0 {
		fmt.Fprintf(a.out, "\n%s of the history cannot be read any more.\n", count(damaged, "line", "lines"))
	}
}
