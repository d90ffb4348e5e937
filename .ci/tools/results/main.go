// Command results runs `go test -json`, tells its outcome readably and judges
// the skips.
//
// usage: results [-allow FILE] [-strict] -- go test -json ...
//
// It prints one line for each package, the whole output of each test that
// failed, each line that begins with "counted: " and their sums, and last
// `N passed, N failed, N skipped`. Its status is 1 when anything failed or
// nothing ran. With -strict it is 1 as well when a test
// skipped that FILE doesn't list, or FILE lists one that didn't skip.
package main

import (
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
)

func main() {
	os.Exit(run(os.Args[1:], os.Stdout, os.Stderr))
}

func run(args []string, stdout, stderr io.Writer) int {
	flags := flag.NewFlagSet("results", flag.ContinueOnError)
	flags.SetOutput(stderr)
	allow := flags.String("allow", "", "`file` of the skips that may be: PACKAGE TEST REASON a line")
	strict := flags.Bool("strict", false, "judge the skips")
	if err := flags.Parse(args); err != nil {
		return 2
	}
	if flags.NArg() == 0 {
		fmt.Fprintln(stderr, "results: no command given")
		return 2
	}
	allowed, err := readAllowed(*allow)
	if err != nil {
		fmt.Fprintln(stderr, "results:", err)
		return 2
	}
	sum, err := collect(flags.Args(), stdout, stderr)
	if err != nil {
		fmt.Fprintln(stderr, "results:", err)
	}
	bad := err != nil || sum.failed > 0
	for _, complaint := range judge(sum, allowed, *strict) {
		fmt.Fprintln(stdout, complaint)
		bad = true
	}
	if line := sum.counts.total(); line != "" {
		fmt.Fprintln(stdout, line)
	}
	fmt.Fprintf(stdout, "%d passed, %d failed, %d skipped\n", sum.passed, sum.failed, len(sum.skips))
	if bad {
		return 1
	}
	return 0
}

// collect runs the command and reads its events to the end. Its own status
// counts too: a failure that no event told must not pass.
func collect(argv []string, stdout, stderr io.Writer) (*summary, error) {
	cmd := exec.Command(argv[0], argv[1:]...)
	cmd.Stderr = stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		return &summary{}, err
	}
	if err := cmd.Start(); err != nil {
		return &summary{}, err
	}
	sum, readErr := read(out, stdout)
	if readErr != nil {
		cmd.Process.Kill()
	}
	if err := cmd.Wait(); err != nil && readErr == nil && sum.failed == 0 {
		readErr = fmt.Errorf("cannot run %s: %w", strings.Join(argv[:min(2, len(argv))], " "), err)
	}
	return sum, readErr
}
