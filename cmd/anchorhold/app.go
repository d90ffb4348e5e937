package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"runtime/debug"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"
)

// version is set by the build; a plain go build shows the module's own.
var version = ""

// stdio is where a command reads and writes: stdout is the result, stderr the
// log.
type stdio struct {
	in       io.Reader
	out, err io.Writer
}

// app is what all commands share.
type app struct {
	stdio
	now    func() time.Time
	log    *slog.Logger
	json   bool
	result io.Writer // where JSON goes; what is for people goes to stderr then

	// stopped ends when somebody calls the run off. What waits for a person or
	// a pipe looks at it; everything else takes the context of its command.
	stopped <-chan struct{}
}

// waiting does what may wait for ever, until the run is called off. What it
// waited for is left to the end of the process.
func waiting[T any](a *app, f func() (T, error)) (T, error) {
	type end struct {
		v   T
		err error
	}
	done := make(chan end, 1)
	go func() {
		v, err := f()
		done <- end{v, err}
	}()
	select {
	case e := <-done:
		return e.v, e.err
	case <-a.stopped:
		var none T
		return none, errCalledOff
	}
}

var errCalledOff = errors.New("called off, nothing was done")

func newApp(s stdio, now func() time.Time) *app {
	return &app{stdio: s, now: now, log: slog.New(slog.NewTextHandler(s.err, &slog.HandlerOptions{Level: slog.LevelWarn}))}
}

// run executes one command line and returns its exit code.
func (a *app) run(ctx context.Context, args []string) int {
	a.result, a.stopped = a.out, ctx.Done()
	if found, err := a.child(ctx, args); found {
		return a.end(err)
	}
	root := a.command()
	root.SetArgs(args)
	root.SetIn(a.in)
	root.SetOut(a.out)
	root.SetErr(a.err)
	return a.end(root.ExecuteContext(ctx))
}

// end tells an error, unless the screen has said everything already, and
// returns the exit code.
func (a *app) end(err error) int {
	if err != nil && err.Error() != "" {
		for i, line := range strings.Split(err.Error(), "\n") {
			fmt.Fprintf(a.err, "%s%s\n", map[bool]string{true: "anchorhold: ", false: "  "}[i == 0], onScreen(line))
		}
		if a.json {
			told := map[string]any{"schema": jsonSchema, "exit": codeOf(err), "error": err.Error()}
			if code := refusalCode(err); code != "" {
				told["error_code"] = code
			}
			encode(a.result, told)
		}
	}
	return codeOf(err)
}

func (a *app) command() *cobra.Command {
	root := &cobra.Command{
		Use:   "anchorhold",
		Short: "Keep private roots in every host's machine-wide trust store, as a signed policy says, and prove it",
		Long: `anchorhold places the roots of a private certificate authority where every
program of every account finds them: in the machine-wide trust store. One signed
policy says which roots are trusted, retired or distrusted, and where and when.

Somebody who signs                       On a host
  vet          look at a root file         adopt      believe a keyset (as root)
  keys new     make a signer               preview    see what would change
  draft new    write what you want         enforce    make it so (as root)
  sign         turn a draft into a policy  verify     see what is true, and why
  starter      give hosts their pin        suspend    leave a root alone (root)
  keyset       replace signers             history    see every change ever made
                                           probe      see if services verify
                                           dependents who still needs a root

A root vouches for any name it is not kept from. Whether to trust one is for
your organisation's security officer and your local policy to decide.`,
		Version:       versionText(),
		SilenceErrors: true,
		SilenceUsage:  true,
		Args:          cobra.NoArgs,
		PersistentPreRun: func(*cobra.Command, []string) {
			if a.json {
				a.out = a.err
			}
		},
	}
	root.SetVersionTemplate("anchorhold {{.Version}}\n")
	root.SetUsageTemplate(usage)
	root.SetHelpTemplate("{{with (or .Long .Short)}}{{.}}\n\n{{end}}{{.UsageString}}")
	root.PersistentFlags().BoolVar(&a.json, "json", false, "print the result as JSON, with a schema number")
	root.AddCommand(
		a.verifyCommand(), a.previewCommand(), a.enforceCommand(), a.suspendCommand(), a.historyCommand(), a.adoptCommand(),
		a.probeCommand(), a.dependentsCommand(),
	)
	root.AddCommand(a.signerCommands()...)
	completions(root)
	finish(root)
	plainUsage(root)
	return root
}

// plainUsage leaves the word that stands for all options out of usage lines.
func plainUsage(c *cobra.Command) {
	c.DisableFlagsInUseLine = true
	for _, sub := range c.Commands() {
		plainUsage(sub)
	}
}

// usage keeps every help within 80 columns.
const usage = `Usage
  {{if .HasAvailableSubCommands}}{{.CommandPath}} COMMAND{{else}}{{.UseLine}}{{end}}
{{- if .HasExample}}

Examples
{{.Example}}{{end}}
{{- if .HasAvailableSubCommands}}

Commands{{range .Commands}}{{if .IsAvailableCommand}}
  {{rpad .Name .NamePadding }} {{.Short}}{{end}}{{end}}{{end}}
{{- if .HasAvailableLocalFlags}}

Options
{{.Flags.FlagUsagesWrapped 80 | trimTrailingWhitespaces}}{{end}}

Exit codes: 0 all is right, 1 something is not, 2 could not tell.
NO_COLOR is honoured.
`

func versionText() string {
	if version != "" {
		return version
	}
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
		return info.Main.Version
	}
	return "of an unknown build"
}

// colour reports whether the result goes to a person's terminal that wants it.
func (a *app) colour() bool {
	f, ok := a.out.(*os.File)
	return ok && os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb" && term.IsTerminal(int(f.Fd()))
}
