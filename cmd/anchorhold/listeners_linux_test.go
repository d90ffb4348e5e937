package main

import (
	"bufio"
	"net"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// listenScript listens at the addresses of its arguments until its input ends.
const listenScript = `import socket, sys
held = []
for a in sys.argv[1:]:
    host, port = a.rsplit(":", 1)
    s = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)
    s.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    if ":" in host:
        s.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
    s.bind((host, int(port)))
    s.listen()
    held.append(s)
print("listening", flush=True)
sys.stdin.read()
`

// TestListenersOfANetwork compares with what ss says of a network in which only
// this test listens.
func TestListenersOfANetwork(t *testing.T) {
	if testing.Short() {
		t.Skip("it makes a network of its own: not in a -short run")
	}
	if !trusttest.PrivateNetwork(t) {
		return
	}
	tools := trusttest.Need(t, "ss", "python3")
	c := exec.Command(tools[1], "-c", listenScript, "127.0.0.1:8443", "0.0.0.0:8444", "::1:8445", ":::8444", "127.0.0.9:5432")
	in, err := c.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { in.Close(); c.Wait() }()
	if line, err := bufio.NewReader(out).ReadString('\n'); err != nil {
		t.Fatalf("%q, %v", line, err)
	}
	own, err := net.Listen("tcp", "127.0.0.1:8446")
	if err != nil {
		t.Fatal(err)
	}
	defer own.Close()

	var theirs []string
	for line := range strings.Lines(tool(t, tools[0], "-ltnH")) {
		theirs = append(theirs, strings.Replace(strings.Fields(line)[3], "*:", "[::]:", 1))
	}
	sockets, blind := listeners{host.System()}.sockets()
	var ours []string
	for _, s := range sockets {
		ours = append(ours, s.Bound.String())
	}
	slices.Sort(ours)
	slices.Sort(theirs)
	if len(ours) != 6 || !slices.Equal(ours, theirs) || len(blind) > 0 {
		t.Errorf("%q, ss has %q; blind %q", ours, theirs, blind)
	}

	targets, blind := listeners{host.System()}.list(t.Context())
	var asked []string
	for _, to := range targets {
		asked = append(asked, to.Address+" "+to.Process)
	}
	if want := []string{"127.0.0.1:8443 python3", "127.0.0.1:8444 python3", "[::1]:8444 python3", "[::1]:8445 python3"}; !slices.Equal(asked, want) {
		t.Errorf("asked %q, want %q", asked, want)
	}
	// One protocol is passed over, and this machine has another network outside.
	if len(blind) != 2 || !strings.Contains(blind[0], "PostgreSQL") || !strings.Contains(blind[1], "other network namespace") {
		t.Errorf("blind %q", blind)
	}
}
