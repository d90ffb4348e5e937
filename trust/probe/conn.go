package probe

import (
	"errors"
	"net"
)

// errFlood ends a connection that sends without end.
var errFlood = errors.New("it sent more than is read of a handshake")

// counted is a connection of which no more than [MaxHandshake] bytes are read.
// It keeps them, to tell what speaks there and to find certificates that
// crypto/tls refuses.
type counted struct {
	net.Conn
	left int
	in   []byte // since the last call of forget
}

func count(c net.Conn) *counted { return &counted{Conn: c, left: MaxHandshake} }

func (c *counted) Read(p []byte) (int, error) {
	if c.left <= 0 {
		return 0, errFlood
	}
	n, err := c.Conn.Read(p[:min(len(p), c.left)])
	c.left -= n
	c.in = append(c.in, p[:n]...)
	return n, err
}

// forget begins anew to keep: TLS begins here.
func (c *counted) forget() { c.in = nil }
