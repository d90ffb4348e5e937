package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/policy"
)

func (a *app) keysetCommand() *cobra.Command {
	keyset := &cobra.Command{
		Use:   "keyset",
		Short: "Put signers together, and replace them when that is due",
		Long: `A keyset says which keys sign a policy and how many of them must. Hosts follow
it from keyset to keyset by statements, each signed by enough keys of the old
and of the new one. When too many keys are lost or stolen for that, the
contingency keyset, whose keys lie in a safe, replaces the whole.`,
		Args: cobra.NoArgs,
	}
	show := &cobra.Command{
		Use:   "show FILE",
		Short: "Show a keyset: its keys, and how many must sign",
		Args:  cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			c, err := readChain(args[0])
			if err != nil {
				return err
			}
			a.showKeyset(c)
			m := keysetMembers(c.Current())
			m["statements"] = c.Statements()
			return a.tell(m)
		},
	}
	keyset.AddCommand(a.keysetNewCommand(), show, a.keysetNextCommand(), a.keysetReplaceCommand(), a.keysetExtendCommand(), a.keysetRebaseCommand())
	return keyset
}

func (a *app) keysetNewCommand() *cobra.Command {
	var k policy.Keyset
	var out, contingency, after string
	c := &cobra.Command{
		Use:   "new KEY.pub...",
		Short: "Make a keyset of several public keys",
		Long: `new makes the first keyset of a policy, which hosts get by their starter file. A
contingency keyset is made the same way, from keys that go into a safe, and
named with --contingency when the keyset of every day is made.

When all keys are lost and no contingency keyset is pinned, name the lost
keyset with --after: the new one begins above it, so that a host on which
somebody pins it ('anchorhold adopt --repin') never goes back.`,
		Example: `  anchorhold keyset new --policy harbour --threshold 2 *.pub
  anchorhold keyset new --policy harbour --threshold 1 --out safe/a.keyset a.pub
  anchorhold keyset new --policy harbour --threshold 2 \
      --contingency safe/a.keyset quay.pub tower.pub office.pub`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(_ *cobra.Command, files []string) error {
			var err error
			if k.Keys, err = readKeys(files); err != nil {
				return err
			}
			if k.Contingency, err = contingencyHash(contingency); err != nil {
				return err
			}
			if after != "" {
				lost, err := readChain(after)
				if err != nil {
					return err
				}
				if lost.Current().Policy != k.Policy {
					return fmt.Errorf("%s is a keyset of policy %s, not %s", after, lost.Current().Policy, k.Policy)
				}
				k.Generation = lost.Current().Generation + 1
			}
			if out == "" {
				out = k.Policy + ".keyset"
			}
			k, err := a.newKeyset(k, out)
			if err != nil {
				return err
			}
			made := keysetMembers(k)
			made["keyset"] = out
			return a.tell(made)
		},
	}
	c.Flags().StringVar(&k.Policy, "policy", "", "`NAME` of the policy that the keys sign")
	c.Flags().IntVar(&k.Threshold, "threshold", 0, "`HOW MANY` of the keys must sign (2 of 3 is advised)")
	c.Flags().StringVar(&contingency, "contingency", "", "keyset `FILE` of the keys in the safe, good for replacing a lost or stolen keyset")
	c.Flags().StringVar(&after, "after", "", "keyset `FILE` that is lost with all its keys: begin above it")
	c.Flags().Uint32Var(&k.Generation, "generation", 0, "begin at this `GENERATION`, where the lost keyset file is lost too")
	c.Flags().StringVar(&out, "out", "", "write to `FILE` instead of NAME.keyset")
	c.MarkFlagRequired("policy")
	c.MarkFlagRequired("threshold")
	c.MarkFlagsMutuallyExclusive("after", "generation")
	return c
}

func readKeys(files []string) ([]policy.Key, error) {
	var keys []policy.Key
	for _, f := range files {
		k, err := readKey(f)
		if err != nil {
			return nil, err
		}
		keys = append(keys, k)
	}
	return keys, nil
}

// contingencyHash is what a keyset pins of the contingency keyset in a file;
// none where no file is named.
func contingencyHash(file string) (policy.Digest, error) {
	if file == "" {
		return policy.Digest{}, nil
	}
	chain, err := readChain(file)
	if err != nil {
		return policy.Digest{}, err
	}
	return chain.Current().Hash()
}

// newKeyset writes the file of a keyset that begins a chain.
func (a *app) newKeyset(k policy.Keyset, out string) (policy.Keyset, error) {
	k.Schema, k.Serial, k.Issued = policy.KeysetSchema, 1, seconds(a.now())
	chain, err := policy.NewChain(k)
	if err != nil {
		return k, err
	}
	data, err := chain.JSON()
	if err != nil {
		return k, err
	}
	if err := writeNew(out, data, 0o644); err != nil {
		return k, err
	}
	fmt.Fprintf(a.out, "%s  keyset %s: %d of %s must sign policy %s\n", out, k.Number(), k.Threshold, count(len(k.Keys), "key", "keys"), k.Policy)
	if k.Threshold == 1 {
		fmt.Fprintln(a.out, paint("One signer alone can put a root on every host that follows this policy; 2 of 3 is advised as soon as there are three people.", uneasy, a.colour()))
	}
	return k, nil
}

// keysetMembers are what results say of a keyset.
func keysetMembers(k policy.Keyset) map[string]any {
	m := map[string]any{"policy": k.Policy, "number": k.Number(), "epoch": k.Epoch(), "threshold": k.Threshold, "keys": keyIDs(k)}
	if !k.Contingency.IsZero() {
		m["contingency"] = k.Contingency.String()
	}
	return m
}

func (a *app) showKeyset(c policy.Chain) {
	k := c.Current()
	fmt.Fprintf(a.out, "Policy %s, keyset %s (epoch %d): %d of these must sign\n", k.Policy, k.Number(), k.Epoch(), k.Threshold)
	for _, key := range k.Keys {
		fmt.Fprintf(a.out, "  %s  %s\n", key.ID(), key.Kind())
	}
	if n := c.Statements(); n > 0 {
		remark{"note", fmt.Sprintf("%s lead here from keyset %s", count(n, "statement", "statements"), c.First().Number())}.write(a.out, a.colour())
	}
	if k.Contingency.IsZero() {
		remark{"note", "no contingency keyset: if too many keys are lost, every host must be pinned anew by hand"}.write(a.out, a.colour())
	} else {
		remark{"note", "contingency keyset " + k.Contingency.String()}.write(a.out, a.colour())
	}
}
