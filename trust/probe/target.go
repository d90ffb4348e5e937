package probe

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"strings"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// Ways to begin TLS within another protocol.
const (
	SMTP = "smtp" // RFC 3207
	LDAP = "ldap" // RFC 4511 4.14
)

// defaultPorts are the ports of services by how TLS begins (IANA registry).
var defaultPorts = map[string]string{"": "443", SMTP: "587", LDAP: "389"}

// ParseTarget reads an address as people type it: host or host:port, IPv6 in
// brackets where a port follows. Without a port it is the well-known one of
// startTLS. identity is the name that must verify where it is not the host.
func ParseTarget(address, startTLS, identity string) (trust.Target, error) {
	t := trust.Target{Address: address, StartTLS: startTLS, Identity: identity}
	port, known := defaultPorts[startTLS]
	if !known {
		return t, fmt.Errorf("STARTTLS for %s is not known here: smtp and ldap are", root.Safe(startTLS, maxName))
	}
	if strings.Contains(address, "://") {
		return t, fmt.Errorf("%s is an address of a page: give host:port", root.Safe(address, maxName))
	}
	bare := address
	if inner, ok := strings.CutPrefix(address, "["); ok {
		bare = strings.TrimSuffix(inner, "]")
	}
	if _, err := netip.ParseAddr(bare); err == nil && (bare == address || strings.HasSuffix(address, "]")) || !strings.Contains(address, ":") {
		t.Address = net.JoinHostPort(bare, port)
	}
	host, _, err := splitTarget(t.Address)
	if err == nil && len(t.Address)+len(identity) > 2*maxDNSName {
		err = errors.New("the address is too long")
	}
	if err != nil {
		return t, err
	}
	for _, name := range []string{host, identity} {
		if _, err := netip.ParseAddr(strings.Trim(name, "[]")); err == nil || name == "" {
			continue
		}
		if _, err := ascii(name); err != nil {
			return t, err
		}
	}
	return t, nil
}

// ReadList reads targets from a file: one a line, host:port and then, where
// needed, name=NAME and starttls=smtp or ldap; # begins a comment. An error
// names its line.
func ReadList(data []byte) ([]trust.Target, error) {
	if len(data) > MaxList {
		return nil, fmt.Errorf("the list is larger than %d bytes", MaxList)
	}
	var targets []trust.Target
	for i, line := range strings.Split(string(data), "\n") {
		line, _, _ = strings.Cut(line, "#")
		fields := strings.Fields(line)
		if len(fields) == 0 {
			continue
		}
		t, err := parseLine(fields)
		if err == nil && len(targets) == MaxTargets {
			err = fmt.Errorf("more than %d services", MaxTargets)
		}
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", i+1, err)
		}
		targets = append(targets, t)
	}
	if len(targets) == 0 {
		return nil, errors.New("the list names no service")
	}
	return targets, nil
}

func parseLine(fields []string) (trust.Target, error) {
	var startTLS, name string
	for _, f := range fields[1:] {
		key, value, _ := strings.Cut(f, "=")
		switch {
		case key == "name" && value != "" && name == "":
			name = value
		case key == "starttls" && value != "" && startTLS == "":
			startTLS = value
		default:
			return trust.Target{}, fmt.Errorf("%s is neither name=NAME nor starttls=smtp or ldap, or stands there twice", root.Safe(f, maxName))
		}
	}
	return ParseTarget(fields[0], startTLS, name)
}
