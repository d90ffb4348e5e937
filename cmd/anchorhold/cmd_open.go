package main

import (
	"cmp"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/root"
)

func (a *app) openCommand() *cobra.Command {
	var keyset string
	c := &cobra.Command{
		Use:   "open FILE",
		Short: "Show what a policy or keyset statement says, and who signed it",
		Args:  cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			data, err := readPolicy(args[0])
			if err != nil {
				return err
			}
			file, err := findKeyset(keyset, args[0])
			if err != nil {
				return err
			}
			chain, err := readChain(file)
			if err != nil {
				return err
			}
			if policy.IsStatement(data) {
				return a.openStatement(args[0], data, chain.Current())
			}
			doc, err := policy.Unverified(data)
			if err != nil {
				return err
			}
			v, _, err := policy.Open(data, policy.Pin{Keyset: chain.First()}, policy.Floor{}, a.now())
			if a.json {
				return a.openJSON(doc, file, err)
			}
			a.showDocument(doc)
			if err != nil {
				fmt.Fprintf(a.out, "\n%s\n", paint("Not to be believed by "+file+".", bad, a.colour()))
				return err
			}
			fmt.Fprintf(a.out, "\n%s\n", paint("Signed as "+file+" asks, by keyset "+v.Keyset().Number()+".", good, a.colour()))
			return nil
		},
	}
	c.Flags().StringVar(&keyset, "keyset", "", "keyset `FILE` to judge by (default: the one *.keyset beside the policy)")
	return c
}

// openStatement shows a keyset statement; one that waits for signatures is not
// right yet.
func (a *app) openStatement(file string, data []byte, current policy.Keyset) error {
	next, _, err := policy.NextStatement(data)
	if err != nil {
		return err
	}
	a.showStatement(current, next)
	return a.showStatementSigned(file, data, current, exitWrong)
}

func (a *app) openJSON(doc policy.Document, keyset string, why error) error {
	out := struct {
		Schema   int             `json:"schema"`
		Exit     int             `json:"exit"`
		Keyset   string          `json:"keyset"`
		Error    string          `json:"error,omitempty"`
		Document policy.Document `json:"document"`
	}{Schema: jsonSchema, Exit: codeOf(why), Keyset: keyset, Document: doc}
	if why != nil {
		out.Error = why.Error()
	}
	if err := encode(a.result, out); err != nil {
		return err
	}
	if why != nil {
		return verdict{code: codeOf(why)}
	}
	return nil
}

// showDocument writes what a policy says, for whoever is to sign or read it.
func (a *app) showDocument(d policy.Document) {
	fmt.Fprintf(a.out, "Policy %s, version %d of epoch %d, issued %s, until %s\n", d.Name, d.Version, d.Epoch, d.Issued.Format(day), d.Expires.Format(day))
	if d.Contact != "" {
		fmt.Fprintf(a.out, "Contact %s\n", root.Safe(d.Contact, maxShown))
	}
	t := table{head: []string{"ROOT", "SHA-256", "STANDINGS", "STORES"}}
	for _, r := range d.Roots {
		var steps []string
		for _, s := range r.Standings {
			steps = append(steps, stepText(s))
		}
		var say []remark
		for _, w := range r.Waivers {
			say = append(say, remark{"note", "waived " + w.Code + ": " + root.Safe(w.Reason, maxShown)})
		}
		if cert, err := root.Parse(r.DER); err == nil {
			say = append(say, remark{"note", "may vouch for " + strings.Join(root.Vouches(cert), "; ")})
		}
		t.add(say, cell{r.Label, plain}, cell{r.SHA256.String(), faint}, cell{strings.Join(steps, ", then "), plain}, cell{strings.Join(r.Stores, ", "), plain})
	}
	fmt.Fprintln(a.out)
	t.write(a.out, a.colour())
	for _, s := range d.Stages {
		fmt.Fprintf(a.out, "Stage %s: %s\n", s.Name, stageText(s))
	}
	for _, s := range d.Services {
		fmt.Fprintf(a.out, "Service %s at %s must verify as %s\n", root.Safe(s.Name, maxShown), root.Safe(s.Address, maxShown), root.Safe(cmp.Or(s.Identity, s.Address), maxShown))
	}
}

func stepText(s policy.Step) string {
	text := string(s.Standing)
	if s.Stage != policy.AllHosts {
		text += " in stage " + s.Stage
	}
	if s.Deadline != nil {
		text += ", at the latest after " + s.Deadline.Format(day)
	}
	if s.Until != nil {
		text += " until " + s.Until.Format(day)
	}
	return text
}

func stageText(s policy.Stage) string {
	text := count(s.Percent, "percent of the hosts", "percent of the hosts")
	if l := strings.TrimSpace(labels(s.Labels)); l != "" {
		text += " with " + l
	}
	if s.Start != nil {
		text += ", from " + s.Start.Format(day)
	}
	return text
}

// maxShown bounds a text of a policy on a screen, in characters.
const maxShown = 400
