package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/policy"
)

// statementOrder is what somebody asks of the next keyset statement.
type statementOrder struct {
	keyset, out, phrase string
	by, contingency     string // the pinned contingency keyset in clear; the one to pin
	none                bool   // pin none any more
	threshold           int
	add, drop, keys     []string
	yes                 bool
}

func (o *statementOrder) flags(c *cobra.Command) {
	c.Flags().StringVar(&o.keyset, "keyset", "", "keyset `FILE` (default: the one *.keyset here)")
	c.Flags().IntVar(&o.threshold, "threshold", 0, "`HOW MANY` of the new keyset's keys must sign (default: as many as now)")
	c.Flags().StringVar(&o.contingency, "contingency", "", "keyset `FILE` of the keys in the safe to pin from now on")
	c.Flags().StringArrayVar(&o.keys, "key", nil, "sign with the key in this `FILE`; may be repeated, or left out where others sign")
	c.Flags().StringVar(&o.phrase, "passphrase-file", "", "read the passphrase from the first line of `FILE` (- is standard input)")
	c.Flags().StringVar(&o.out, "out", "", "write to `FILE` (default: NAME-NUMBER.statement beside the keyset)")
	c.Flags().BoolVar(&o.yes, "yes", false, "do not ask on the terminal before signing")
}

func (a *app) keysetNextCommand() *cobra.Command {
	var o statementOrder
	c := &cobra.Command{
		Use:   "next",
		Short: "Write the statement by which the next keyset takes over",
		Long: `next writes a keyset statement: which keys sign from now on, and how many of
them must. Enough keys of the current and of the new keyset have to sign it,
here with --key or later with 'anchorhold countersign'. The keyset file takes it
in with 'anchorhold keyset extend', and hosts follow with the next policy.

To change the contingency keyset its keys have to sign too: show it with --by.`,
		Example: `  anchorhold keyset next --drop tower.pub --add pilot.pub --key quay.key
  anchorhold keyset next --add mole.pub --threshold 3
  anchorhold keyset next --by safe/a.keyset --contingency safe/b.keyset`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			if len(o.add)+len(o.drop) == 0 && o.threshold == 0 && o.contingency == "" && !o.none {
				return errors.New("say what changes: --add, --drop, --threshold, --contingency or --no-contingency")
			}
			return a.writeStatement(o, func(chain policy.Chain) (policy.Keyset, error) {
				next := chain.Current()
				next.Serial++
				var err error
				next.Keys, err = o.members(next)
				if err == nil && o.none {
					next.Contingency = policy.Digest{}
				}
				return next, err
			})
		},
	}
	o.flags(c)
	c.Flags().StringArrayVar(&o.add, "add", nil, "let the key in this public key `FILE` sign; may be repeated")
	c.Flags().StringArrayVar(&o.drop, "drop", nil, "let this key sign no more: its public key `FILE`, or its id; may be repeated")
	c.Flags().StringVar(&o.by, "by", "", "the pinned contingency keyset `FILE`, whose keys sign too")
	c.Flags().BoolVar(&o.none, "no-contingency", false, "pin no contingency keyset any more")
	c.MarkFlagsMutuallyExclusive("contingency", "no-contingency")
	return c
}

func (a *app) keysetReplaceCommand() *cobra.Command {
	var o statementOrder
	c := &cobra.Command{
		Use:   "replace KEY.pub...",
		Short: "Let the contingency keyset replace a lost or stolen one",
		Long: `replace writes the statement for the day on which too many keys are lost or
stolen: the keys in the safe and the new keys sign it, the current ones do not.
It beats whatever the current keys sign, and uses the contingency keyset up:
make another one first and name it with --contingency.`,
		Example: `  anchorhold keyset replace --by safe/a.keyset --contingency safe/b.keyset \
      --key safe/a.key --key quay2.key --threshold 1 quay2.pub tower2.pub`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(_ *cobra.Command, files []string) error {
			return a.writeStatement(o, func(chain policy.Chain) (policy.Keyset, error) {
				next := chain.Current()
				next.Generation, next.Serial, next.Contingency = next.Generation+1, 1, policy.Digest{}
				var err error
				next.Keys, err = readKeys(files)
				return next, err
			})
		},
	}
	o.flags(c)
	c.Flags().StringVar(&o.by, "by", "", "the pinned contingency keyset `FILE`")
	c.MarkFlagRequired("by")
	return c
}

// members returns the keys of the next keyset.
func (o statementOrder) members(k policy.Keyset) ([]policy.Key, error) {
	keys := slices.Clone(k.Keys)
	for _, d := range o.drop {
		i := slices.IndexFunc(keys, func(key policy.Key) bool { return key.ID() == d })
		if i < 0 {
			key, err := readKey(d)
			if err != nil {
				return nil, fmt.Errorf("no key of the keyset has the id %s, and %w", d, err)
			}
			if i = slices.Index(keys, key); i < 0 {
				return nil, fmt.Errorf("the key in %s is none of the keyset's", d)
			}
		}
		keys = slices.Delete(keys, i, i+1)
	}
	more, err := readKeys(o.add)
	return append(keys, more...), err
}

func (a *app) writeStatement(o statementOrder, next func(policy.Chain) (policy.Keyset, error)) error {
	file, err := findKeyset(o.keyset, "statement")
	if err != nil {
		return err
	}
	chain, err := readChain(file)
	if err != nil {
		return err
	}
	k, err := next(chain)
	if err != nil {
		return err
	}
	k.Issued = seconds(a.now())
	if o.threshold != 0 {
		k.Threshold = o.threshold
	}
	if o.contingency != "" {
		if k.Contingency, err = contingencyHash(o.contingency); err != nil {
			return err
		}
	}
	var replacing *policy.Keyset
	if o.by != "" {
		safe, err := readChain(o.by)
		if err != nil {
			return err
		}
		r := safe.Current()
		replacing = &r
	}
	a.showStatement(chain.Current(), k)
	if len(o.keys) > 0 {
		if err := a.confirm("Sign this?", o.yes); err != nil {
			return err
		}
	}
	signers, err := a.signers(o.keys, o.phrase)
	if err != nil {
		return err
	}
	data, err := policy.SignStatement(chain.Current(), k, replacing, a.now(), signers...)
	if err != nil {
		return err
	}
	if o.out == "" {
		o.out = filepath.Join(filepath.Dir(file), fmt.Sprintf("%s-%s.statement", k.Policy, k.Number()))
	}
	if err := writeNew(o.out, data, 0o644); err != nil {
		return err
	}
	return a.showStatementSigned(o.out, data, chain.Current(), exitRight)
}

// showStatement tells what a statement would change, for whoever signs it.
func (a *app) showStatement(current, next policy.Keyset) {
	fmt.Fprintf(a.out, "Keyset statement %s of policy %s, issued %s\n\n", next.Number(), next.Policy, next.Issued.Format(day))
	for _, l := range policy.KeysetDiff(current, next) {
		word, t := "change", plain
		if l.Kind == policy.ChangeCaution {
			word, t = "caution", uneasy
		}
		fmt.Fprintf(a.out, "%s  %s\n", paint(fmt.Sprintf("%-7s", word), t, a.colour()), escape(l.Text))
	}
	fmt.Fprintln(a.out)
}

// showStatementSigned tells what the statement still lacks, and what is next.
// code is the exit code where it lacks something.
func (a *app) showStatementSigned(file string, data []byte, current policy.Keyset, code int) error {
	sides, err := policy.Sides(data, current)
	if err != nil {
		return err
	}
	lacks := map[string]int{}
	for _, s := range sides {
		lacks[s.Name] = s.Missing
	}
	waits := waitsFor(sides)
	if len(waits) == 0 {
		code = exitRight
		fmt.Fprintf(a.out, "%s  %s\n", file, paint("has all its signatures", good, a.colour()))
		remark{"next", "anchorhold keyset extend " + file}.write(a.out, a.colour())
	} else {
		fmt.Fprintf(a.out, "%s  waits for %s\n", file, strings.Join(waits, " and for "))
		remark{"next", "pass it to those signers: anchorhold countersign --key FILE " + file}.write(a.out, a.colour())
	}
	if a.json {
		told := map[string]any{"schema": jsonSchema, "exit": code, "file": file, "missing": lacks, "complete": len(waits) == 0}
		if err := encode(a.result, told); err != nil {
			return err
		}
	}
	if code == exitRight {
		return nil
	}
	return verdict{code: code}
}

func waitsFor(sides []policy.Side) []string {
	var lacks []string
	for _, s := range sides {
		if s.Missing > 0 {
			lacks = append(lacks, fmt.Sprintf("%s of the %s keyset", count(s.Missing, "signature", "signatures"), s.Name))
		}
	}
	return lacks
}
