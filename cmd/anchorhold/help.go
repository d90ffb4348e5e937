package main

import (
	"strings"

	"github.com/spf13/cobra"
)

// finish gives every command that only holds others a run of its own: it shows
// its help, and a word that is none of them is an error of usage, which cobra
// would answer with help and success.
func finish(c *cobra.Command) {
	for _, sub := range c.Commands() {
		finish(sub)
	}
	if !c.HasSubCommands() || c.Runnable() {
		return
	}
	c.Args = cobra.NoArgs
	c.RunE = func(c *cobra.Command, _ []string) error { return c.Help() }
}

// load says how each shell takes its completion script, for now and for good.
var load = map[string]string{
	"bash": "source <(anchorhold completion bash)\n" +
		"anchorhold completion bash > /etc/bash_completion.d/anchorhold",
	"zsh": "source <(anchorhold completion zsh)\n" +
		"anchorhold completion zsh > \"${fpath[1]}/_anchorhold\"",
	"fish": "anchorhold completion fish | source\n" +
		"anchorhold completion fish > ~/.config/fish/completions/anchorhold.fish",
	"powershell": "anchorhold completion powershell | Out-String | Invoke-Expression\n" +
		"anchorhold completion powershell >> $PROFILE",
}

// completions adds the command for completion scripts, with help of our own:
// cobra's is wider than a terminal.
func completions(root *cobra.Command) {
	root.InitDefaultCompletionCmd()
	for _, c := range root.Commands() {
		if c.Name() != "completion" {
			continue
		}
		c.Short = "Write a script by which a shell completes commands"
		c.Long = "completion writes a script by which a shell completes commands and options."
		for _, shell := range c.Commands() {
			shell.Short = "Write the script for " + shell.Name()
			shell.Long = shell.Short + " to standard output."
			shell.Example = "  " + strings.ReplaceAll(load[shell.Name()], "\n", "\n  ")
		}
	}
}
