package main

import (
	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/trust/reader"
)

// proveCommand is how the program runs itself as an account without
// privileges; nobody else has a use for it.
func (a *app) proveCommand() *cobra.Command {
	return &cobra.Command{
		Use:    reader.Command + " ACCOUNT",
		Hidden: true,
		Args:   cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			return reader.Answer(args[0], a.in, a.out)
		},
	}
}
