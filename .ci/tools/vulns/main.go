// Command vulns asks govulncheck whether the program calls code with known
// faults, without a network: the database is a pinned Go module.
//
// usage: vulns -govulncheck FILE -pin FILE [-db URL] PACKAGE...
//
// A fault in a module fails (status 1): the tree must take a newer one. A fault
// in the standard library is told and doesn't fail, since its cure is a newer
// Go for whoever builds, not a change here.
package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"time"
)

const limit = 5 * time.Minute // one scan takes about 10 s on two cores

func main() {
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	os.Exit(run(ctx, os.Args[1:], os.Stdout, os.Stderr))
}

func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	flags := flag.NewFlagSet("vulns", flag.ContinueOnError)
	flags.SetOutput(stderr)
	tool := flags.String("govulncheck", "", "govulncheck's `file`")
	pin := flags.String("pin", "", "`file` with the database's module, version and checksum")
	db := flags.String("db", "", "`URL` of another database, such as https://vuln.go.dev")
	if err := flags.Parse(args); err != nil {
		return 2
	}
	if *tool == "" || *pin == "" || flags.NArg() == 0 {
		flags.Usage()
		return 2
	}
	if *db == "" {
		url, err := pinned(ctx, *pin)
		if err != nil {
			fmt.Fprintln(stderr, "vulns:", err)
			return 2
		}
		*db = url
	}
	found, err := scan(ctx, *tool, *db, flags.Args())
	if err != nil {
		fmt.Fprintln(stderr, "vulns:", err)
		return 2
	}
	return tell(found, *db, stdout)
}

// scan runs govulncheck, whose status is 0 with -format json whatever it finds.
func scan(ctx context.Context, tool, db string, pkgs []string) (faults, error) {
	cmd := exec.CommandContext(ctx, tool, append([]string{"-format", "json", "-db", db}, pkgs...)...)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		return faults{}, err
	}
	if err := cmd.Start(); err != nil {
		return faults{}, err
	}
	found, readErr := read(out)
	if readErr != nil {
		cmd.Process.Kill()
	}
	if err := cmd.Wait(); err != nil && readErr == nil {
		readErr = fmt.Errorf("cannot run govulncheck: %w", err)
	}
	return found, readErr
}
