package probe

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"strings"

	"anchorhold.test/anchorhold/trust/root"
)

// Bounds of what a service may say before TLS begins.
const (
	maxReply = 16 << 10
	maxLine  = 4 << 10
)

// refusal is a service that would not begin TLS; its text is made safe.
type refusal struct {
	why  string
	busy bool // for now alone
}

func (r *refusal) Error() string { return r.why }

func refused(format string, args ...any) error { return &refusal{why: fmt.Sprintf(format, args...)} }

// refusedBy is a refusal by an SMTP reply: one that begins with 4 is for now
// alone (RFC 5321 4.2.1).
func refusedBy(code, format string, args ...any) error {
	return &refusal{why: fmt.Sprintf(format, args...), busy: code[0] == '4'}
}

// upgrade asks a service to begin TLS.
func upgrade(c *counted, by string) error {
	switch by {
	case "":
		return nil
	case "smtp":
		return upgradeSMTP(c)
	case "ldap":
		return upgradeLDAP(c)
	}
	return refused("STARTTLS for %s is not known here: smtp and ldap are", root.Safe(by, maxName))
}

// upgradeStop tells how asking for TLS ended.
func upgradeStop(err error, c *counted) (Stop, string) {
	var no *refusal
	switch {
	case errors.As(err, &no) && no.busy:
		return Stalled, no.why
	case errors.As(err, &no):
		return NoUpgrade, no.why
	case looksTLS(c.in):
		return NoUpgrade, "it speaks TLS from the first byte: leave --starttls out"
	case errors.Is(err, errFlood):
		return NoUpgrade, "it sent more than is read before TLS begins"
	case timedOut(err) && len(c.in) == 0:
		return Stalled, "it took the connection and said nothing within the limit; if it speaks TLS from the first byte, leave --starttls out"
	case timedOut(err):
		return Stalled, "it stopped answering before TLS began"
	case closed(err) && len(c.in) == 0:
		return Closed, "it ended the connection without an answer"
	case closed(err):
		return NoUpgrade, "it ended the connection before TLS began"
	}
	return NoUpgrade, "cannot begin TLS: " + root.Safe(err.Error(), maxText)
}

// upgradeSMTP is RFC 3207 4, behind the greeting and EHLO of RFC 5321 4.1.1.1.
// A client without a name of its own gives its address (RFC 5321 4.1.4).
func upgradeSMTP(c *counted) error {
	if code, text, err := replySMTP(c); err != nil {
		return err
	} else if code != "220" {
		return refusedBy(code, "it greeted with %s", root.Safe(text, maxText))
	}
	if err := say(c, "EHLO "+literal(c.LocalAddr())+"\r\n"); err != nil {
		return err
	}
	code, text, err := replySMTP(c)
	if err != nil {
		return err
	}
	if code != "250" {
		return refusedBy(code, "it answered EHLO with %s", root.Safe(text, maxText))
	}
	offered := false
	for line := range strings.SplitSeq(text, "\n") {
		offered = offered || len(line) > 4 && strings.EqualFold(strings.TrimSpace(line[4:]), "STARTTLS")
	}
	if !offered {
		return refused("it does not offer STARTTLS")
	}
	if err := say(c, "STARTTLS\r\n"); err != nil {
		return err
	}
	if code, text, err = replySMTP(c); err != nil {
		return err
	} else if code != "220" {
		return refusedBy(code, "it answered STARTTLS with %s", root.Safe(text, maxText))
	}
	return nil
}

func say(c *counted, text string) error {
	_, err := io.WriteString(c, text)
	return err
}

// literal writes an address as RFC 5321 4.1.3 does.
func literal(a net.Addr) string {
	at, err := netip.ParseAddrPort(a.String())
	ip := at.Addr().Unmap().WithZone("")
	switch {
	case err != nil:
		return "[127.0.0.1]"
	case ip.Is4():
		return "[" + ip.String() + "]"
	}
	return "[IPv6:" + ip.String() + "]"
}

// replySMTP reads one reply, byte by byte: whatever follows it belongs to TLS,
// and must not be taken for a part of it (RFC 3207 6).
func replySMTP(c *counted) (code, text string, err error) {
	var all []string
	for size := 0; ; {
		line, err := readLine(c)
		if err != nil {
			return "", "", err
		}
		if size += len(line); size > maxReply {
			return "", "", refused("its reply is longer than %d bytes", maxReply)
		}
		if len(line) < 3 || strings.Trim(line[:3], "0123456789") != "" || len(line) > 3 && line[3] != ' ' && line[3] != '-' {
			return "", "", refused("it speaks no SMTP: %q", root.Safe(line, maxFirst))
		}
		all = append(all, line)
		if len(line) == 3 || line[3] == ' ' {
			return line[:3], strings.Join(all, "\n"), nil
		}
	}
}

func readLine(c *counted) (string, error) {
	var line bytes.Buffer
	var one [1]byte
	for line.Len() < maxLine {
		if _, err := io.ReadFull(c, one[:]); err != nil {
			return "", err
		}
		if one[0] == '\n' {
			return strings.TrimRight(line.String(), "\r"), nil
		}
		line.WriteByte(one[0])
	}
	return "", refused("it speaks no SMTP: its first line is longer than %d bytes", maxLine)
}

// startTLS is the ExtendedRequest with its OID 1.3.6.1.4.1.1466.20037 as message
// 1 (RFC 4511 4.12, 4.14.1).
const startTLS = "\x30\x1d\x02\x01\x01\x77\x18\x80\x161.3.6.1.4.1.1466.20037"

// Tags of the answer (RFC 4511 4.1.1, 4.1.9, 4.12).
const (
	berSequence = 0x30
	berInteger  = 0x02
	berEnum     = 0x0a
	berString   = 0x04
	berExtended = 0x78
)

// upgradeLDAP is RFC 4511 4.14.
func upgradeLDAP(c *counted) error {
	if err := say(c, startTLS); err != nil {
		return err
	}
	message, err := readBER(c)
	if err != nil {
		return err
	}
	id, rest, ok := takeBER(message, berInteger)
	answer, _, ok2 := takeBER(rest, berExtended)
	result, rest, ok3 := takeBER(answer, berEnum)
	if !ok || !ok2 || !ok3 || !bytes.Equal(id, []byte{1}) || len(result) != 1 {
		return refused("it does not answer as RFC 4511 4.12 has it")
	}
	if result[0] == 0 {
		return nil
	}
	_, rest, _ = takeBER(rest, berString) // matchedDN
	why, _, _ := takeBER(rest, berString)
	return refused("it answered StartTLS with result code %d: %s", result[0], root.Safe(string(why), maxText))
}

// readBER reads one SEQUENCE and returns what it holds. Lengths may be longer
// than DER has them (RFC 4511 5.1); some directories always write four bytes.
func readBER(c *counted) ([]byte, error) {
	var head [2]byte
	if _, err := io.ReadFull(c, head[:]); err != nil {
		return nil, err
	}
	if head[0] != berSequence {
		return nil, refused("it speaks no LDAP: %q", root.Safe(string(c.in[:min(len(c.in), maxFirst)]), maxFirst))
	}
	size := int(head[1])
	if size >= 0x80 {
		long := make([]byte, size&0x7f)
		if len(long) == 0 || len(long) > 4 {
			return nil, refused("it speaks no LDAP")
		}
		if _, err := io.ReadFull(c, long); err != nil {
			return nil, err
		}
		size = 0
		for _, b := range long {
			size = size<<8 | int(b)
		}
	}
	if size > maxReply {
		return nil, refused("its reply is longer than %d bytes", maxReply)
	}
	body := make([]byte, size)
	_, err := io.ReadFull(c, body)
	return body, err
}

// takeBER takes one element with a given tag.
func takeBER(b []byte, tag byte) (body, rest []byte, ok bool) {
	if len(b) < 2 || b[0] != tag {
		return nil, nil, false
	}
	size, at := int(b[1]), 2
	if size >= 0x80 {
		n := size & 0x7f
		if n == 0 || n > 4 || len(b) < 2+n {
			return nil, nil, false
		}
		size = 0
		for _, d := range b[2 : 2+n] {
			size = size<<8 | int(d)
		}
		at += n
	}
	if size < 0 || size > len(b)-at {
		return nil, nil, false
	}
	return b[at : at+size], b[at+size:], true
}
