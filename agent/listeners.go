package agent

import (
	"errors"
	"fmt"
	"net/netip"
	"slices"
	"strconv"
	"strings"

	"anchorhold.test/anchorhold/trust"
)

// maxExcepted bounds the exclusion list.
const maxExcepted = 200

// Listeners says whether this host's own TLS services are asked before a root
// goes out that they may need.
type Listeners struct {
	Look   bool     `toml:"look" comment:"A handshake can upset a service that speaks a plain protocol: name such ports below, or write false."`
	Except []string `toml:"except" comment:"Ports that are never asked, as \"127.0.0.1:5432\" or, at any address, \":9100\"."`
}

// DefaultListeners is what a host does whose settings say nothing.
func DefaultListeners() Listeners { return Listeners{Look: true, Except: []string{}} }

func (l Listeners) check() error {
	if len(l.Except) > maxExcepted {
		return fmt.Errorf("more than %d listeners are excepted: look = false asks none", maxExcepted)
	}
	var errs []error
	for _, e := range l.Except {
		if _, err := parseExcepted(e); err != nil {
			errs = append(errs, fmt.Errorf(`cannot except listener %q: %w; write it as "127.0.0.1:5432" or ":9100"`, e, err))
		}
	}
	return errors.Join(errs...)
}

// parseExcepted reads an address with a port. An empty host is any address,
// and so is the unspecified one, as programs write it.
func parseExcepted(s string) (netip.AddrPort, error) {
	if port, any := strings.CutPrefix(s, ":"); any {
		n, err := strconv.ParseUint(port, 10, 16)
		if err != nil || n == 0 {
			return netip.AddrPort{}, errors.New("the port is a number from 1 to 65535")
		}
		return netip.AddrPortFrom(netip.IPv4Unspecified(), uint16(n)), nil
	}
	ap, err := netip.ParseAddrPort(s)
	if err == nil && ap.Port() == 0 {
		err = errors.New("the port is a number from 1 to 65535")
	}
	return ap, err
}

// Asked leaves out the targets that are excepted.
func (l Listeners) Asked(targets []trust.Target) []trust.Target {
	return slices.DeleteFunc(slices.Clone(targets), func(t trust.Target) bool {
		at, err := netip.ParseAddrPort(t.Address)
		return err == nil && slices.ContainsFunc(l.Except, func(s string) bool {
			e, err := parseExcepted(s)
			return err == nil && e.Port() == at.Port() && (e.Addr().IsUnspecified() || e.Addr().Unmap() == at.Addr().Unmap())
		})
	})
}
