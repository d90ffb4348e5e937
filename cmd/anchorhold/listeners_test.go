package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
)

const (
	tableHead = "  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode\n"
	tableLine = "   0: 0100007F:%04X 00000000:0000 0A 00000000:00000000 00:00000000 00000000     0        0 %d 1 0 100 0 0 10 0\n"
)

// process lays a process into a machine's /proc.
func process(t *testing.T, dir, pid, name, exe, network string, sockets ...int) {
	t.Helper()
	at := filepath.Join(dir, "proc", pid)
	write(t, filepath.Join(at, "comm"), name+"\n", 0o644)
	link := func(name, to string) {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(at, name)), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(to, filepath.Join(at, name)); err != nil {
			t.Fatal(err)
		}
	}
	link("exe", exe)
	link("ns/net", network)
	link("fd/0", "/dev/null")
	for i, inode := range sockets {
		link(fmt.Sprint("fd/", i+3), fmt.Sprintf("socket:[%d]", inode))
	}
}

// TestListenersAndWhoHoldsThem has a service that got its socket from process 1,
// one of this program itself, one of nobody who is seen, and a container.
func TestListenersAndWhoHoldsThem(t *testing.T) {
	dir := t.TempDir()
	const here, there = "net:[4026531840]", "net:[4026532000]"
	process(t, dir, "self", "anchorhold", "/usr/bin/anchorhold", here)
	process(t, dir, "1", "systemd", "/usr/lib/systemd/systemd", here, 81, 84)
	process(t, dir, "30", "anchorhold", "/usr/bin/anchorhold", here, 82)
	process(t, dir, "40", "ng\x1binx", "/usr/sbin/nginx", here, 81)
	process(t, dir, "50", "crane", "/usr/bin/crane", there, 81)
	table := tableHead
	for i, inode := range []int{81, 82, 83, 84} {
		table += fmt.Sprintf(tableLine, 8443+i, inode)
	}
	write(t, filepath.Join(dir, "proc/self/net/tcp"), table, 0o644)
	targets, blind := listeners{host.At(dir)}.list(t.Context())
	var got []string
	for _, at := range targets {
		got = append(got, at.Address+" "+at.Process)
	}
	if want := []string{`127.0.0.1:8443 ng\x1binx`, "127.0.0.1:8445 ", "127.0.0.1:8446 systemd"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	if len(blind) != 1 || !strings.HasPrefix(blind[0], "1 other network namespace ") {
		t.Errorf("blind %q", blind)
	}
}

// TestListenersNotListed tells a host whose listeners cannot be listed from one
// that has none.
func TestListenersNotListed(t *testing.T) {
	for table, listed := range map[string]bool{"": false, tableHead: true, "garbage\n": false} {
		dir := t.TempDir()
		if table != "" {
			write(t, filepath.Join(dir, "proc/self/net/tcp"), table, 0o644)
		}
		targets, blind := listeners{host.At(dir)}.list(t.Context())
		not := slices.ContainsFunc(blind, func(b string) bool { return strings.HasPrefix(b, trust.NotListed) })
		if len(targets) != 0 || not == listed {
			t.Errorf("%q: %d targets, blind %q", table, len(targets), blind)
		}
	}
}
