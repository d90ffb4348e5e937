package probe_test

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"io"
	"net"
	"net/netip"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/probe"
)

// quay is a service on loopback that does with each connection what talk says.
func quay(t *testing.T, talk func(net.Conn)) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				c.SetDeadline(time.Now().Add(20 * time.Second))
				talk(c)
			}()
		}
	}()
	return l.Addr().String()
}

// secure shakes hands and counts the bytes that come after that.
func secure(config *tls.Config, after *atomic.Int64) func(net.Conn) {
	return func(c net.Conn) {
		s := tls.Server(c, config)
		if s.Handshake() == nil {
			n, _ := io.Copy(io.Discard, s)
			after.Add(n)
		}
	}
}

func pairOf(certs ...party) tls.Certificate {
	return tls.Certificate{Certificate: ders(certs...), PrivateKey: certs[0].key}
}

// home leads every name to loopback.
func home(limit time.Duration) probe.Net {
	n := probe.System()
	n.Lookup = func(context.Context, string) ([]netip.Addr, error) { return []netip.Addr{loop.Addr()}, nil }
	n.Limit = limit
	return n
}

func gathered(t *testing.T, at, startTLS string, limit time.Duration) probe.End {
	t.Helper()
	g := home(limit).Gather(t.Context(), trust.Target{Address: at, Identity: "crane.harbour.test", StartTLS: startTLS})
	if len(g.Ends) != 1 {
		t.Fatalf("%s: %+v", at, g)
	}
	return g.Ends[0]
}

func TestGather(t *testing.T) {
	r := newRoot(t, "Harbour Root 2026")
	i := r.issuer(t, "Harbour Issuing")
	pair := pairOf(i.server(t), i)
	var after atomic.Int64
	with := func(change func(*tls.Config)) func(net.Conn) {
		c := &tls.Config{Certificates: []tls.Certificate{pair}}
		change(c)
		return secure(c, &after)
	}
	plain := func(text string) func(net.Conn) {
		return func(c net.Conn) {
			io.WriteString(c, text)
			io.Copy(io.Discard, c)
		}
	}
	right := with(func(*tls.Config) {})
	short := 300 * time.Millisecond // nothing but waiting happens in these
	for name, c := range map[string]struct {
		talk     func(net.Conn)
		startTLS string
		limit    time.Duration
		stop     probe.Stop
		sent     int
		version  uint16
		why      string
	}{
		"right":               {talk: right, sent: 2, version: tls.VersionTLS13},
		"TLS 1.2 alone":       {talk: with(func(c *tls.Config) { c.MaxVersion = tls.VersionTLS12 }), sent: 2, version: tls.VersionTLS12},
		"TLS 1.3 alone":       {talk: with(func(c *tls.Config) { c.MinVersion = tls.VersionTLS13 }), sent: 2, version: tls.VersionTLS13},
		"TLS 1.1 alone":       {talk: with(func(c *tls.Config) { c.MinVersion, c.MaxVersion = tls.VersionTLS10, tls.VersionTLS11 }), sent: 2, version: tls.VersionTLS11},
		"a certificate asked": {talk: with(func(c *tls.Config) { c.ClientAuth = tls.RequireAnyClientCert }), sent: 2, version: tls.VersionTLS13},
		"no certificate":      {talk: with(func(c *tls.Config) { c.Certificates = nil }), stop: probe.Alerted},
		"says nothing":        {talk: func(c net.Conn) { io.Copy(io.Discard, c) }, limit: short, stop: probe.Stalled, why: "said nothing"},
		"stops in the middle": {talk: func(c net.Conn) { c.Write([]byte{22, 3, 3, 0, 100, 2}); io.Copy(io.Discard, c) }, limit: short, stop: probe.Stalled, why: "after 6 bytes"},
		"hangs up":            {talk: func(c net.Conn) { bufio.NewReader(c).ReadByte() }, stop: probe.Closed},
		"hangs up half-way":   {talk: func(c net.Conn) { bufio.NewReader(c).ReadByte(); c.Write([]byte{22, 3, 3, 0, 100, 2}) }, stop: probe.Broken},
		"an SSH banner":       {talk: plain("SSH-2.0-harbour\r\n"), stop: probe.Plain, why: "SSH"},
		"HTTP":                {talk: plain("HTTP/1.1 400 Bad Request\r\n\r\n"), stop: probe.Plain, why: "plain HTTP"},
		"a hostile banner":    {talk: plain("\x1b[2Jowned\r\n"), stop: probe.Plain, why: `\x1b`},
		"floods":              {talk: func(c net.Conn) { io.Copy(c, flood{}) }, stop: probe.Broken, why: "exceeds"},
		"SMTP":                {talk: smtp(true, right), startTLS: "smtp", sent: 2, version: tls.VersionTLS13},
		"SMTP without TLS":    {talk: smtp(false, right), startTLS: "smtp", stop: probe.NoUpgrade, why: "does not offer"},
		"SMTP that is busy":   {talk: plain("421 too many connections\r\n"), startTLS: "smtp", stop: probe.Stalled, why: "421"},
		"SMTP asked plainly":  {talk: smtp(true, right), stop: probe.Plain, why: "--starttls smtp"},
		"SMTP that stalls":    {talk: func(c net.Conn) { io.WriteString(c, "220-quay"); io.Copy(io.Discard, c) }, startTLS: "smtp", limit: short, stop: probe.Stalled},
		"endless SMTP":        {talk: func(c net.Conn) { io.Copy(c, lines{}) }, startTLS: "smtp", stop: probe.NoUpgrade},
		"TLS asked for SMTP":  {talk: right, startTLS: "smtp", limit: short, stop: probe.Stalled, why: "leave --starttls out"},
		"LDAP":                {talk: ldap("\x30\x0c\x02\x01\x01\x78\x07\x0a\x01\x00\x04\x00\x04\x00", right), startTLS: "ldap", sent: 2, version: tls.VersionTLS13},
		"LDAP without TLS":    {talk: ldap("\x30\x0e\x02\x01\x01\x78\x09\x0a\x01\x02\x04\x00\x04\x02no", right), startTLS: "ldap", stop: probe.NoUpgrade, why: "result code 2: no"},
		"no LDAP":             {talk: plain("hello\r\n"), startTLS: "ldap", stop: probe.NoUpgrade, why: "no LDAP"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			e := gathered(t, quay(t, c.talk), c.startTLS, c.limit)
			if e.Stop != c.stop || len(e.Chain) != c.sent || e.Version != c.version && c.sent > 0 || !strings.Contains(e.Why, c.why) {
				t.Errorf("%q, %d certificates, %x, %q", e.Stop, len(e.Chain), e.Version, e.Why)
			}
			if strings.ContainsRune(e.Why, '\x1b') {
				t.Errorf("%q reaches a terminal", e.Why)
			}
			if name == "a certificate asked" != e.Demanded {
				t.Errorf("demanded %v", e.Demanded)
			}
		})
	}
	t.Cleanup(func() {
		if n := after.Load(); n != 0 {
			t.Errorf("%d bytes were sent after handshakes", n)
		}
	})
}

// flood is records of a handshake without end.
type flood struct{}

func (flood) Read(p []byte) (int, error) {
	return copy(p, bytes.Repeat(append([]byte{22, 3, 3, 0x20, 0, 11, 0xff, 0xff, 0xff}, make([]byte, 0x2000-4)...), 4)), nil
}

type lines struct{}

func (lines) Read(p []byte) (int, error) {
	return copy(p, strings.Repeat("220-quay.harbour.test\r\n", 100)), nil
}

// smtp speaks as far as STARTTLS.
func smtp(offer bool, then func(net.Conn)) func(net.Conn) {
	return func(c net.Conn) {
		in := bufio.NewReader(c)
		io.WriteString(c, "220 quay.harbour.test\r\n")
		if line, _ := in.ReadString('\n'); !strings.HasPrefix(line, "EHLO [127.0.0.1]") {
			io.WriteString(c, "500 who?\r\n")
			return
		}
		if !offer {
			io.WriteString(c, "250-quay.harbour.test\r\n250 8BITMIME\r\n")
			return
		}
		io.WriteString(c, "250-quay.harbour.test\r\n250 STARTTLS\r\n")
		if line, _ := in.ReadString('\n'); line != "STARTTLS\r\n" {
			return
		}
		io.WriteString(c, "220 go on\r\n")
		then(c)
	}
}

// ldap answers the one request that RFC 4511 4.14 has.
func ldap(answer string, then func(net.Conn)) func(net.Conn) {
	return func(c net.Conn) {
		ask := make([]byte, 31)
		if _, err := io.ReadFull(c, ask); err != nil || !bytes.Contains(ask, []byte("1.3.6.1.4.1.1466.20037")) {
			return
		}
		io.WriteString(c, answer)
		then(c)
	}
}

func TestEveryAddressIsAsked(t *testing.T) {
	at := netip.MustParseAddrPort(quay(t, func(c net.Conn) { io.WriteString(c, "SSH-2.0-x\r\n") }))
	n := home(0)
	var many []netip.Addr
	for i := range probe.MaxAddresses + 3 {
		many = append(many, netip.AddrFrom4([4]byte{127, 0, 1, byte(i)}))
	}
	n.Lookup = func(context.Context, string) ([]netip.Addr, error) { return many, nil }
	n.Dial = func(ctx context.Context, _ netip.AddrPort) (net.Conn, error) { return net.Dial("tcp", at.String()) }
	g := n.Gather(t.Context(), trust.Target{Address: "crane.harbour.test:443"})
	if len(g.Ends) != probe.MaxAddresses || len(g.Passed) != 3 || g.Ends[0].Stop != probe.Plain {
		t.Errorf("%d asked, %d passed over, %+v", len(g.Ends), len(g.Passed), g.Ends[0])
	}
}

func TestParseTarget(t *testing.T) {
	for in, want := range map[string]string{
		"tide.harbour.test": "tide.harbour.test:443", "tide.harbour.test:8443": "tide.harbour.test:8443", "::1": "[::1]:443",
		"[::1]:8443": "[::1]:8443", "192.0.2.7": "192.0.2.7:443",
	} {
		if got, err := probe.ParseTarget(in, "", ""); err != nil || got.Address != want {
			t.Errorf("%q: %q, %v", in, got.Address, err)
		}
	}
	for startTLS, want := range map[string]string{probe.SMTP: "quay:587", probe.LDAP: "quay:389"} {
		if got, err := probe.ParseTarget("quay", startTLS, ""); err != nil || got.Address != want {
			t.Errorf("%q: %q, %v", startTLS, got.Address, err)
		}
	}
	for _, in := range []string{"", ":443", "quay:", "quay:0", "quay:65536", "quay:https", "https://quay", "a b:443", "quay:443:1", strings.Repeat("a", 400)} {
		if got, err := probe.ParseTarget(in, "", ""); err == nil {
			t.Errorf("%q is taken as %q", in, got.Address)
		}
	}
	if _, err := probe.ParseTarget("quay", "imap", ""); err == nil {
		t.Error("an unknown protocol is taken")
	}
}

func TestReadList(t *testing.T) {
	got, err := probe.ReadList([]byte("# the harbour\n\ncrane.harbour.test:8443 name=crane\nquay.harbour.test starttls=smtp # mail\n"))
	if err != nil || len(got) != 2 || got[0].Identity != "crane" || got[1].Address != "quay.harbour.test:587" || got[1].StartTLS != "smtp" {
		t.Errorf("%+v, %v", got, err)
	}
	for text, want := range map[string]string{
		"": "names no service", "a\nb:x\n": "line 2", "a name=\n": "line 1", "a name=b name=c": "line 1", "a colour=red": "line 1",
		strings.Repeat("a\n", probe.MaxTargets+1): "more than", strings.Repeat("#", probe.MaxList+1): "larger",
	} {
		if _, err := probe.ReadList([]byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.20q: %v", text, err)
		}
	}
}
