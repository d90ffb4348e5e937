package probe

import (
	"cmp"
	"fmt"
	"net/netip"
	"slices"

	"anchorhold.test/anchorhold/trust"
)

// MaxListeners bounds how many listeners of one host are asked.
const MaxListeners = 256

// Listener is a port of this host and where it is to be asked.
type Listener struct {
	Socket
	Target trust.Target
}

// portStartTLS says which services begin in plain and turn to TLS as we can ask
// them to (RFC 3207 and RFC 6409 3.3; RFC 4511 4.14). Others are asked at once.
var portStartTLS = map[uint16]string{25: "smtp", 587: "smtp", 389: "ldap"}

// portUpgrades are ports of services that turn to TLS within protocols which are
// not spoken here. A handshake would learn nothing there, and some count it
// against the caller's address. Ports of the IANA registry.
var portUpgrades = map[uint16]string{21: "FTP", 110: "POP3", 119: "NNTP", 143: "IMAP", 1433: "TDS", 3306: "MySQL", 3389: "RDP",
	4190: "ManageSieve", 5222: "XMPP", 5269: "XMPP", 5432: "PostgreSQL"}

// Listeners chooses where to ask the sockets that listen, in the order of
// their addresses, each address once: at the loopback address those that are
// bound to every address, the others where they are bound. devices are the
// host's IPv6 addresses. blind names what is passed over.
func Listeners(sockets []Socket, devices map[netip.Addr]string) (listeners []Listener, blind []string) {
	sockets = slices.Clone(sockets)
	slices.SortStableFunc(sockets, func(a, b Socket) int {
		return cmp.Or(cmp.Compare(a.Bound.Port(), b.Bound.Port()), a.Bound.Addr().Compare(b.Bound.Addr()))
	})
	seen := map[netip.AddrPort]bool{}
	left := 0
	for _, s := range sockets {
		at := askAt(s.Bound, devices)
		if seen[at] {
			continue
		}
		seen[at] = true
		if protocol := portUpgrades[at.Port()]; protocol != "" {
			blind = append(blind, fmt.Sprintf("listener %s: %s turns to TLS within its own protocol, which is not spoken here", at, protocol))
			continue
		}
		if len(listeners) == MaxListeners {
			left++
			continue
		}
		listeners = append(listeners, Listener{s, trust.Target{Address: at.String(), StartTLS: portStartTLS[at.Port()], Listener: true}})
	}
	if left > 0 {
		blind = append(blind, fmt.Sprintf("%d more listeners: at most %d are asked", left, MaxListeners))
	}
	return listeners, blind
}

// askAt is where a socket is asked. One that is bound to every address of IPv6
// takes IPv4 too, unless it was told not to (ipv6(7), IPV6_V6ONLY).
func askAt(bound netip.AddrPort, devices map[netip.Addr]string) netip.AddrPort {
	addr := bound.Addr()
	switch {
	case addr == netip.IPv4Unspecified():
		addr = netip.AddrFrom4([4]byte{127, 0, 0, 1})
	case addr == netip.IPv6Unspecified():
		if addr = netip.IPv6Loopback(); devices[addr] == "" {
			addr = netip.AddrFrom4([4]byte{127, 0, 0, 1})
		}
	case addr.Is6() && addr.IsLinkLocalUnicast():
		addr = addr.WithZone(devices[addr]) // without its device it leads nowhere (RFC 4007 11)
	}
	return netip.AddrPortFrom(addr, bound.Port())
}
