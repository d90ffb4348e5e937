package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// runbookLimit is how long the commands of one document may take.
const runbookLimit = 4 * time.Minute

// runbook is one document's commands, in order.
type runbook struct {
	text string
	exit int // what it has to end with
}

var wantedExit = regexp.MustCompile(`# exit ([0-9])\b`)

// readRunbook takes the indented lines of a document.
func readRunbook(t *testing.T, name string) []runbook {
	t.Helper()
	var all []runbook
	more := false
	for line := range strings.Lines(read(t, name)) {
		command, indented := strings.CutPrefix(strings.TrimRight(line, "\n"), "    ")
		if !indented {
			continue
		}
		if more {
			all[len(all)-1].text += "\n" + command
		} else {
			all = append(all, runbook{text: command})
		}
		more = strings.HasSuffix(command, "\\")
		if m := wantedExit.FindStringSubmatch(command); m != nil {
			all[len(all)-1].exit = int(m[1][0] - '0')
		}
	}
	if len(all) < 10 {
		t.Fatalf("%s: only %d commands", name, len(all))
	}
	return all
}

// script makes one shell program of them that stops where one ends otherwise.
func script(commands []runbook) string {
	var b strings.Builder
	for _, c := range commands {
		fmt.Fprintf(&b, "%s\ncode=$?; [ $code -eq %d ] || { printf '\\nRUNBOOK: exit %%s, want %d: %%s\\n' $code %q; exit 99; }\n", c.text, c.exit, c.exit, strings.ReplaceAll(c.text, "$", ""))
	}
	return b.String()
}

// prompts are what the program asks on a terminal, with the answers.
var prompts = []struct{ ends, answer string }{
	{"Passphrase for the new key: ", "a passphrase\n"}, {"The same once more: ", "a passphrase\n"},
	{".key: ", "a passphrase\n"}, {"[y/N] ", "yes\n"},
}

// atTerminal runs a shell program with a terminal before it, and answers what
// is asked there.
func atTerminal(t *testing.T, dir, text string) (said string, code int) {
	t.Helper()
	master, err := os.OpenFile("/dev/ptmx", os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	n, err := unix.IoctlGetInt(int(master.Fd()), unix.TIOCGPTN)
	if err == nil {
		err = unix.IoctlSetPointerInt(int(master.Fd()), unix.TIOCSPTLCK, 0)
	}
	if err != nil {
		t.Fatal(err)
	}
	slave, err := os.OpenFile(fmt.Sprintf("/dev/pts/%d", n), os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), runbookLimit)
	defer cancel()
	c := exec.CommandContext(ctx, "/bin/bash", "-c", text)
	c.Dir, c.Stdin, c.Stdout, c.Stderr = dir, slave, slave, slave
	c.Env = []string{"PATH=" + filepath.Join(dir, "bin") + ":/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL=C", "TERM=dumb"}
	c.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	slave.Close()
	var out bytes.Buffer
	done := make(chan struct{})
	go func() {
		defer close(done)
		buf := make([]byte, 4096)
		for {
			n, err := master.Read(buf) // EIO once nobody holds the other side
			out.Write(buf[:n])
			for _, p := range prompts {
				if n > 0 && bytes.HasSuffix(out.Bytes(), []byte(p.ends)) {
					master.WriteString(p.answer)
				}
			}
			if err != nil {
				return
			}
		}
	}()
	err = c.Wait()
	<-done
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return out.String(), c.ProcessState.ExitCode()
}

// deskOf is the folder of the Harbour office with a keyset of 2 of 3, and this
// host, which follows it.
func deskOf(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	write(t, filepath.Join(dir, "bin", "sudo"), "#!/bin/sh\nexec \"$@\"\n", 0o755)
	for _, f := range []string{"harbour-root.crt", "guest-root.crt"} {
		write(t, filepath.Join(dir, f), string(trusttest.NewAuthority(t, "Harbour "+f).PEM()), 0o644)
	}
	said, code := atTerminal(t, dir, `set -e
for k in quay tower office; do anchorhold keys new --name $k; done
anchorhold keyset new --policy harbour --threshold 2 quay.pub tower.pub office.pub
anchorhold draft new --root harbour-root.crt
anchorhold sign --key quay.key --key office.key
anchorhold starter > starter.toml
anchorhold adopt starter.toml
cp harbour.policy /etc/anchorhold/
anchorhold enforce`)
	if code != 0 {
		t.Fatalf("exit %d\n%s", code, said)
	}
	return dir
}

// document is a document's path as the tests of this folder see it.
func document(name string) string { return filepath.Join("..", "..", "packaging", "doc", name) }

// TestRunbookKeys does what the document says, command by command.
func TestRunbookKeys(t *testing.T) {
	if !onMachine(t) {
		return
	}
	commands := readRunbook(t, document("runbook-keys.md"))
	dir := deskOf(t)
	said, code := atTerminal(t, dir, script(commands))
	if code != 0 {
		t.Fatalf("exit %d\n%s", code, said)
	}
	r := result(t, 0, "verify")
	if len(r.Placements) != 1 || !r.Placements[0].Right || r.Placements[0].Owner != agent.Us || r.Policy.Epoch != 2<<32+1 {
		t.Errorf("%+v %+v", r.Policy, r.Placements)
	}
	known(t, r.Placements[0].Root.String(), filepath.Join(dir, "harbour-root.crt"), true)
	for _, w := range []string{"harbour-0.2.statement", "harbour-0.3.statement", "harbour-1.1.statement"} {
		if _, err := os.Stat(filepath.Join(dir, w)); err != nil {
			t.Error(err)
		}
	}
	says(t, said, "caution", "pilot", "No longer believed: keyset 1.1", "all keys lost in the fire of 3 May")
}

// TestRunbookBreakGlass does the same on the host.
func TestRunbookBreakGlass(t *testing.T) {
	if !onMachine(t) {
		return
	}
	trusttest.Need(t, "keytool")
	commands := readRunbook(t, document("runbook-break-glass.md"))
	dir := deskOf(t)
	said, code := atTerminal(t, dir, script(commands))
	if code != 0 {
		t.Fatalf("exit %d\n%s", code, said)
	}
	says(t, said, "suspended: Harbour harbour-root.crt", "tide breaks with it", "somebody took it out", "memory-lost", "believes nobody")
	r := result(t, 0, "verify")
	p := r.Placements[0]
	if !p.Right || p.Owner != agent.Us || len(r.Suspended) != 0 {
		t.Errorf("%+v %+v", p, r.Suspended)
	}
	known(t, p.Root.String(), filepath.Join(dir, "harbour-root.crt"), true)
	known(t, vetted(t, 0, filepath.Join(dir, "guest-root.crt"))[0].roots()[0], filepath.Join(dir, "guest-root.crt"), true)
	events, _, err := ledger.History(readOnly{host.System(), statePath})
	if err != nil {
		t.Fatal(err)
	}
	count := map[string]int{}
	for _, e := range events {
		count[string(e.Op)]++
	}
	if count["suspend"] != 1 || count["resume"] != 1 || count["place"] != 3 || count["relearn"] != 1 {
		t.Errorf("history counts %v", count)
	}
}
