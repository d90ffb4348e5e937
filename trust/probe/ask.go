package probe

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"strings"
	"syscall"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// ask connects to one address and shakes hands: as programs do today, and
// where that ends in an error of TLS itself once more with everything that old
// servers may want, only to name the fault.
func (n Net) ask(ctx context.Context, t trust.Target, sni string, remote netip.AddrPort) End {
	e := n.once(ctx, t, remote, modern(sni))
	switch {
	case e.Stop != Alerted && e.Stop != Broken && e.Stop != Closed:
		return e
	case e.Demanded && e.Chain != nil:
		return e // it ended since we have no certificate for it; its own part was seen
	}
	old := n.once(ctx, t, remote, ancient(sni))
	if len(old.Chain) == 0 {
		return e
	}
	if old.Version >= tls.VersionTLS12 && !outdated(old.Suite) {
		old.Suite = 0
	}
	if old.Partial {
		old.Why = e.Why // the first words are about the handshake that programs make
	}
	return old
}

// modern is the handshake of today's programs: TLS 1.2 and 1.3 (RFC 8996, RFC
// 9325 3.1.1). Nobody is refused here, so that a service which fails still
// tells its chain; who is to be refused, Judge decides.
func modern(sni string) *tls.Config {
	return &tls.Config{ServerName: sni, InsecureSkipVerify: true, MinVersion: tls.VersionTLS12}
}

// ancient takes what clients have left out by now. It stays below TLS 1.3,
// where certificates are sent in the clear and can be told although crypto/tls
// refuses them.
func ancient(sni string) *tls.Config {
	c := &tls.Config{ServerName: sni, InsecureSkipVerify: true, MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS12}
	for _, s := range append(tls.CipherSuites(), tls.InsecureCipherSuites()...) {
		c.CipherSuites = append(c.CipherSuites, s.ID)
	}
	return c
}

// outdated reports cipher suites that clients do not offer by themselves.
func outdated(id uint16) bool {
	for _, s := range tls.InsecureCipherSuites() {
		if s.ID == id {
			return true
		}
	}
	return false
}

// once makes one connection.
func (n Net) once(ctx context.Context, t trust.Target, remote netip.AddrPort, config *tls.Config) End {
	e := End{Remote: remote}
	raw, err := n.Dial(ctx, remote)
	if err != nil {
		e.Stop, e.Why = dialStop(err)
		return e
	}
	defer raw.Close()
	if deadline, ok := ctx.Deadline(); ok {
		raw.SetDeadline(deadline)
	}
	// Not closed: the error of a connection that is called off is that of one
	// whose time is over.
	defer context.AfterFunc(ctx, func() { raw.SetDeadline(time.Unix(1, 0)) })()
	conn := count(raw)
	if err := upgrade(conn, t.StartTLS); err != nil {
		e.Stop, e.Why = upgradeStop(err, conn)
		return e
	}
	conn.forget()
	e.shake(ctx, conn, config)
	return e
}

// shake does the handshake and nothing after it.
func (e *End) shake(ctx context.Context, conn *counted, config *tls.Config) {
	config.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) {
		e.Demanded = true
		return &tls.Certificate{}, nil
	}
	config.VerifyConnection = func(s tls.ConnectionState) error {
		e.Version, e.Suite = s.Version, s.CipherSuite
		for _, c := range s.PeerCertificates {
			e.Chain = append(e.Chain, c.Raw)
		}
		return nil
	}
	client := tls.Client(conn, config)
	err := client.HandshakeContext(ctx)
	if err == nil {
		if !outdated(e.Suite) {
			e.Suite = 0
		}
		client.Close() // close_notify, no more
		return
	}
	e.Stop, e.Why = shakeStop(err, conn.in)
	e.Partial = true
	if e.Chain == nil {
		e.Chain, e.Version, e.Suite = sniff(conn.in)
	}
}

// dialStop tells why there is no connection.
func dialStop(err error) (Stop, string) {
	switch {
	case errors.Is(err, syscall.ENETUNREACH), errors.Is(err, syscall.EADDRNOTAVAIL), errors.Is(err, syscall.EAFNOSUPPORT):
		return NoRoute, "this host has no way to addresses of that kind"
	case errors.Is(err, syscall.ECONNREFUSED):
		return Unreached, "the connection was refused: nothing listens there, or a firewall refuses"
	case errors.Is(err, syscall.EHOSTUNREACH):
		return Unreached, "no machine answers at that address"
	case timedOut(err):
		return Unreached, "the connection was not answered within the limit: a firewall drops it, or the machine is down"
	}
	return Unreached, "cannot connect: " + root.Safe(err.Error(), maxText)
}

func timedOut(err error) bool {
	var n net.Error
	return errors.Is(err, context.DeadlineExceeded) || errors.Is(err, os.ErrDeadlineExceeded) || errors.As(err, &n) && n.Timeout()
}

func closed(err error) bool {
	return errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, syscall.ECONNRESET) ||
		errors.Is(err, syscall.EPIPE) || errors.Is(err, net.ErrClosed)
}

// Types of records (RFC 8446 5.1).
const (
	recordAlert     = 21
	recordHandshake = 22
)

// looksTLS reports that what came in begins as TLS does.
func looksTLS(in []byte) bool {
	return len(in) > 0 && (in[0] == recordAlert || in[0] == recordHandshake) && (len(in) < 2 || in[1] == 3)
}

// shakeStop tells how a handshake ended that was not finished.
func shakeStop(err error, in []byte) (Stop, string) {
	var alert tls.AlertError
	var op *net.OpError
	switch {
	case len(in) > 0 && !looksTLS(in):
		return Plain, speaks(in)
	case errors.Is(err, errFlood):
		return Flooded, fmt.Sprintf("it sent more than %d bytes within the handshake", MaxHandshake)
	case timedOut(err):
		if len(in) == 0 {
			return Stalled, "it took the connection and said nothing within the limit"
		}
		return Stalled, fmt.Sprintf("it stopped in the handshake after %d bytes", len(in))
	case errors.As(err, &alert), errors.As(err, &op) && op.Op == "remote error":
		return Alerted, "it ended the handshake with: " + root.Safe(strings.TrimPrefix(err.Error(), "remote error: "), maxText)
	case closed(err) && len(in) == 0:
		return Closed, "it ended the connection without an answer"
	case closed(err):
		return Broken, fmt.Sprintf("it ended the connection within the handshake, after %d bytes", len(in))
	}
	return Broken, "the handshake cannot be finished: " + root.Safe(err.Error(), maxText)
}

// maxFirst bounds the first bytes that are shown of what is not TLS.
const maxFirst = 60

// speaks tells what begins with these bytes, as far as that is well known.
func speaks(in []byte) string {
	first := string(in[:min(len(in), maxFirst)])
	line, _, _ := strings.Cut(first, "\n")
	what := ""
	switch {
	case strings.HasPrefix(first, "SSH-"):
		what = "SSH (RFC 4253 4.2)"
	case strings.HasPrefix(first, "HTTP/"), strings.HasPrefix(strings.ToLower(first), "<!doctype"), strings.HasPrefix(strings.ToLower(first), "<html"):
		what = "plain HTTP (RFC 9112)"
	case strings.HasPrefix(first, "220"), strings.HasPrefix(first, "554"):
		what = "SMTP or FTP, which turn to TLS later: for SMTP give --starttls smtp (RFC 3207)"
	case strings.HasPrefix(first, "* OK"), strings.HasPrefix(first, "+OK"):
		what = "IMAP or POP3"
	case in[0] == 0x30:
		what = "LDAP or another protocol in BER: for LDAP give --starttls ldap (RFC 4511 4.14)"
	}
	text := fmt.Sprintf("its first bytes are no TLS: %q", root.Safe(strings.TrimRight(line, "\r"), maxFirst))
	if what != "" {
		text += "; this is " + what
	}
	return text
}
