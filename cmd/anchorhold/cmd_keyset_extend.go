package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/policy"
)

func (a *app) keysetExtendCommand() *cobra.Command {
	var keyset string
	c := &cobra.Command{
		Use:   "extend STATEMENT",
		Short: "Take a statement that has all its signatures into the keyset file",
		Long: `extend makes the statement's keyset the current one. Give the new keyset file to
every signer, and sign the policy anew: hosts go from keyset to keyset by the
statements that 'anchorhold sign' puts into the policy file.`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { return a.extend(keyset, args[0]) },
	}
	c.Flags().StringVar(&keyset, "keyset", "", "keyset `FILE` (default: the one *.keyset beside the statement)")
	return c
}

func (a *app) extend(keyset, statement string) error {
	file, err := findKeyset(keyset, statement)
	if err != nil {
		return err
	}
	chain, err := readChain(file)
	if err != nil {
		return err
	}
	data, err := readPolicy(statement)
	if err != nil {
		return err
	}
	if next, _, err := policy.NextStatement(data); err == nil && next.Same(chain.Current()) {
		fmt.Fprintf(a.out, "%s is at keyset %s already.\n", file, next.Number())
		return a.tell(keysetMembers(next))
	}
	sides, err := policy.Sides(data, chain.Current())
	if err != nil {
		return err
	}
	if lacks := waitsFor(sides); len(lacks) > 0 {
		return verdict{exitWrong, fmt.Errorf("cannot extend %s: %s waits for %s; pass it to those signers: anchorhold countersign --key FILE %s",
			file, statement, strings.Join(lacks, " and for "), statement)}
	}
	if chain, err = chain.Extend(data); err != nil {
		return err
	}
	text, err := chain.JSON()
	if err != nil {
		return err
	}
	if err := replace(file, text); err != nil {
		return err
	}
	a.showKeyset(chain)
	remark{"next", "give " + file + " to every signer and sign the policy anew: hosts follow with it"}.write(a.out, a.colour())
	return a.tell(keysetMembers(chain.Current()))
}

func (a *app) keysetRebaseCommand() *cobra.Command {
	var keyset, out string
	c := &cobra.Command{
		Use:   "rebase",
		Short: "Write the keyset file without the statements that lead to it",
		Long: fmt.Sprintf(`rebase writes the current keyset as the beginning of a new keyset file. A policy
file carries at most %d statements; before they run out, pin every host at the
current keyset ('anchorhold adopt --repin'), and sign with the new file from
then on. Hosts pinned at older keysets believe nothing that is signed with it.`, policy.MaxStatements),
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			file, err := findKeyset(keyset, "keyset")
			if err != nil {
				return err
			}
			chain, err := readChain(file)
			if err != nil {
				return err
			}
			chain = chain.Rebase()
			data, err := chain.JSON()
			if err != nil {
				return err
			}
			if err := writeNew(out, data, 0o644); err != nil {
				return err
			}
			fmt.Fprintln(a.out, out)
			a.showKeyset(chain)
			return a.tell(keysetMembers(chain.Current()))
		},
	}
	c.Flags().StringVar(&keyset, "keyset", "", "keyset `FILE` (default: the one *.keyset here)")
	c.Flags().StringVar(&out, "out", "", "write to `FILE`")
	c.MarkFlagRequired("out")
	return c
}
