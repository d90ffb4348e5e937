package probe

import (
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"testing"
)

// Tables as a Linux 6 kernel on a little-endian machine writes them.
const (
	headTCP = "  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode                                                     \n"
	tcp4    = headTCP +
		"   0: 00000000:07E8 00000000:0000 0A 00000000:00000000 00:00000000 00000000     0        0 1673 1 00000000c753df3b 100 0 0 10 0                      \n" +
		"   1: 0100007F:1538 00000000:0000 0A 00000000:00000000 00:00000000 00000000   112        0 90210 1 0000000000000000 100 0 0 10 0                     \n" +
		"   2: 020200C0:B0C0 507100CB:01BB 06 00000000:00000000 03:00000446 00000000     0        0 0 3 0000000059891149                                      \n"
	tcp6 = "  sl  local_address                         remote_address                        st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode\n" +
		"   0: 00000000000000000000000000000000:01BB 00000000000000000000000000000000:0000 0A 00000000:00000000 00:00000000 00000000     0        0 77 1 0 100 0 0 10 0\n" +
		"   1: 00000000000000000000000001000000:0277 00000000000000000000000000000000:0000 0A 00000000:00000000 00:00000000 00000000     0        0 78 1 0 100 0 0 10 0\n" +
		"   2: 0000000000000000FFFF00000100007F:20FB 00000000000000000000000000000000:0000 0A 00000000:00000000 00:00000000 00000000     0        0 79 1 0 100 0 0 10 0\n" +
		"   3: 000080FE00000000FF00FC00010000FE:20FC 00000000000000000000000000000000:0000 0A 00000000:00000000 00:00000000 00000000     0        0 80 1 0 100 0 0 10 0\n"
	inet6 = "00000000000000000000000000000001 01 80 10 80       lo\nfe8000000000000000fc00fffe000001 04 40 20 80     eth0\n"
)

func bounds(sockets []Socket) []string {
	var all []string
	for _, s := range sockets {
		all = append(all, s.Bound.String())
	}
	return all
}

func TestParseSockets(t *testing.T) {
	four, more, err := ParseSockets([]byte(tcp4))
	if want := []string{"0.0.0.0:2024", "127.0.0.1:5432"}; err != nil || more || !slices.Equal(bounds(four), want) {
		t.Fatalf("%q, more %v, %v; want %q", bounds(four), more, err, want)
	}
	if four[1].UID != 112 || four[1].Inode != 90210 {
		t.Errorf("%+v", four[1])
	}
	six, more, err := ParseSockets([]byte(tcp6))
	if want := []string{"[::]:443", "[::1]:631", "127.0.0.1:8443", "[fe80::fc:ff:fe00:1]:8444"}; err != nil || more || !slices.Equal(bounds(six), want) {
		t.Fatalf("%q, more %v, %v; want %q", bounds(six), more, err, want)
	}
}

// TestParseSocketsCut tells a table that ends within its listening sockets from
// one that ends behind them.
func TestParseSocketsCut(t *testing.T) {
	lines := strings.SplitAfter(tcp4, "\n")
	for _, c := range []struct {
		table string
		found int
		more  bool
	}{
		{lines[0], 0, false},
		{lines[0] + lines[1], 1, false},
		{lines[0] + lines[1] + lines[2][:30], 1, true},
		{lines[0] + lines[1] + lines[2] + lines[3], 2, false},
		{lines[0] + lines[1] + lines[2] + lines[3] + lines[3][:30], 2, false},
	} {
		s, more, err := ParseSockets([]byte(c.table))
		if err != nil || len(s) != c.found || more != c.more {
			t.Errorf("%d sockets, more %v, %v; want %d, %v from\n%s", len(s), more, err, c.found, c.more, c.table)
		}
	}
	many := headTCP + strings.Repeat(lines[1], maxSockets+1)
	if s, more, err := ParseSockets([]byte(many)); err != nil || len(s) != maxSockets || !more {
		t.Errorf("%d sockets, more %v, %v", len(s), more, err)
	}
}

func TestParseSocketsRefuses(t *testing.T) {
	good := strings.SplitAfter(tcp4, "\n")[1]
	for _, table := range []string{
		"", "\n", "\x00\x00\x00", "<html>\n", headTCP + "\n", headTCP + "0: 0A\n",
		headTCP + strings.Replace(good, "00000000:07E8", "000000:07E8", 1),
		headTCP + strings.Replace(good, "00000000:07E8", "zzzzzzzz:07E8", 1),
		headTCP + strings.Replace(good, "00000000:07E8", "00000000", 1),
		headTCP + strings.Replace(good, ":07E8", ":107E8", 1),
		headTCP + strings.Replace(good, "1673", "-1", 1),
	} {
		if s, _, err := ParseSockets([]byte(table)); err == nil {
			t.Errorf("%d sockets out of %q", len(s), table)
		}
	}
}

func TestListeners(t *testing.T) {
	devices, err := ParseDevices([]byte(inet6))
	if err != nil {
		t.Fatal(err)
	}
	at := func(all ...string) []Socket {
		var s []Socket
		for _, a := range all {
			s = append(s, Socket{Bound: netip.MustParseAddrPort(a)})
		}
		return s
	}
	none := map[netip.Addr]string{}
	for _, c := range []struct {
		name    string
		sockets []Socket
		devices map[netip.Addr]string
		want    []string
		blind   int
	}{
		{"every address", at("0.0.0.0:8443", "[::]:8443"), devices, []string{"127.0.0.1:8443", "[::1]:8443"}, 0},
		{"every address, no IPv6 loopback", at("[::]:8443", "0.0.0.0:8443"), none, []string{"127.0.0.1:8443"}, 0},
		{"one address", at("192.0.2.7:443", "[fd00::2]:443", "127.0.0.3:443"), devices, []string{"127.0.0.3:443", "192.0.2.7:443", "[fd00::2]:443"}, 0},
		{"several processes on one port", at("0.0.0.0:443", "0.0.0.0:443", "127.0.0.1:443"), devices, []string{"127.0.0.1:443"}, 0},
		{"link-local", at("[fe80::fc:ff:fe00:1]:443"), devices, []string{"[fe80::fc:ff:fe00:1%eth0]:443"}, 0},
		{"mail and directory", at("0.0.0.0:25", "0.0.0.0:587", "0.0.0.0:465", "0.0.0.0:389", "0.0.0.0:636"), devices,
			[]string{"127.0.0.1:25 smtp", "127.0.0.1:389 ldap", "127.0.0.1:465", "127.0.0.1:587 smtp", "127.0.0.1:636"}, 0},
		{"protocols of their own", at("0.0.0.0:5432", "[::1]:143"), devices, nil, 2},
	} {
		listeners, blind := Listeners(c.sockets, c.devices)
		var got []string
		for _, l := range listeners {
			got = append(got, strings.TrimSpace(l.Target.Address+" "+l.Target.StartTLS))
			if !l.Target.Listener || l.Target.Identity != "" || l.Target.Service != "" {
				t.Errorf("%s: %+v", c.name, l.Target)
			}
		}
		if !slices.Equal(got, c.want) || len(blind) != c.blind {
			t.Errorf("%s: %q, blind %q; want %q", c.name, got, blind, c.want)
		}
	}
}

func TestListenersAreBounded(t *testing.T) {
	var all []Socket
	for i := range MaxListeners + 3 {
		all = append(all, Socket{Bound: netip.MustParseAddrPort(fmt.Sprintf("127.0.0.1:%d", 20000+i))})
	}
	listeners, blind := Listeners(all, nil)
	if len(listeners) != MaxListeners || len(blind) != 1 || !strings.HasPrefix(blind[0], "3 more listeners") {
		t.Errorf("%d listeners, blind %q", len(listeners), blind)
	}
}

func FuzzParseSockets(f *testing.F) {
	f.Add([]byte(tcp4))
	f.Add([]byte(tcp6))
	f.Add([]byte(inet6))
	f.Fuzz(func(t *testing.T, table []byte) {
		sockets, _, err := ParseSockets(table)
		if err != nil && len(sockets) > 0 {
			t.Errorf("%d sockets and %v", len(sockets), err)
		}
		devices, err := ParseDevices(table)
		if err != nil {
			devices = nil
		}
		listeners, _ := Listeners(sockets, devices)
		for _, l := range listeners {
			if !netip.MustParseAddrPort(l.Target.Address).Addr().IsValid() {
				t.Errorf("%q is no address", l.Target.Address)
			}
		}
	})
}
