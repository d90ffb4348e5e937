package probe

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// Net is the way to the services. Its fields stand in for the network in
// tests; [System] is the running machine's.
type Net struct {
	Lookup  func(ctx context.Context, host string) ([]netip.Addr, error)
	Reverse func(ctx context.Context, addr netip.Addr) ([]string, error)
	Dial    func(ctx context.Context, addr netip.AddrPort) (net.Conn, error)
	Limit   time.Duration // of one address; TargetLimit where 0

	slots chan struct{} // connections at a time, shared by one run
}

// System asks as programs of this machine do: with its own resolver and hosts
// file.
func System() Net {
	var dialer net.Dialer
	return Net{
		Lookup: func(ctx context.Context, host string) ([]netip.Addr, error) {
			return net.DefaultResolver.LookupNetIP(ctx, "ip", host)
		},
		Reverse: func(ctx context.Context, addr netip.Addr) ([]string, error) {
			return net.DefaultResolver.LookupAddr(ctx, addr.String())
		},
		Dial: func(ctx context.Context, addr netip.AddrPort) (net.Conn, error) {
			return dialer.DialContext(ctx, "tcp", addr.String())
		},
	}
}

// Gather asks every address of one target, at most [MaxAddresses], and keeps
// what each served.
func (n Net) Gather(ctx context.Context, t trust.Target) Gathered {
	g := Gathered{Target: t}
	host, port, err := splitTarget(t.Address)
	if err != nil {
		g.Unmade = err.Error()
		return g
	}
	addrs, err := n.resolve(ctx, &g, host)
	if err != nil {
		g.Unmade = err.Error()
		return g
	}
	if len(addrs) > MaxAddresses {
		addrs, g.Passed = addrs[:MaxAddresses], addrs[MaxAddresses:]
	}
	if n.slots == nil {
		n.slots = make(chan struct{}, MaxParallel)
	}
	g.Ends = make([]End, len(addrs))
	var wg sync.WaitGroup
	for i, a := range addrs {
		wg.Go(func() { g.Ends[i] = n.end(ctx, t, sni(t, host), netip.AddrPortFrom(a, port), g.Asked != "") })
	}
	wg.Wait()
	return g
}

// resolve returns the addresses of a host, each once; an address stands for
// itself.
func (n Net) resolve(ctx context.Context, g *Gathered, host string) ([]netip.Addr, error) {
	if a, err := netip.ParseAddr(host); err == nil {
		return []netip.Addr{a.Unmap()}, nil
	}
	name, err := ascii(host)
	if err != nil {
		return nil, err
	}
	g.Asked = name
	ctx, stop := context.WithTimeout(ctx, LookupLimit)
	defer stop()
	found, err := n.Lookup(ctx, name)
	if err != nil {
		return nil, lookupError(name, err)
	}
	var addrs []netip.Addr
	for _, a := range found {
		if a = a.Unmap(); !slices.Contains(addrs, a) {
			addrs = append(addrs, a)
		}
	}
	if len(addrs) == 0 {
		return nil, fmt.Errorf("%s has no address", root.Safe(name, maxName))
	}
	return addrs, nil
}

func lookupError(name string, err error) error {
	var dns *net.DNSError
	switch {
	case errors.As(err, &dns) && dns.IsNotFound:
		return fmt.Errorf("%s is not known: neither DNS nor this host's own list of hosts has an address for it", root.Safe(name, maxName))
	case errors.As(err, &dns) && dns.IsTimeout, errors.Is(err, context.DeadlineExceeded):
		return fmt.Errorf("looking %s up had no answer within %s", root.Safe(name, maxName), LookupLimit)
	}
	return fmt.Errorf("cannot look %s up: %s", root.Safe(name, maxName), root.Safe(err.Error(), maxText))
}

// end asks one address, in its turn.
func (n Net) end(ctx context.Context, t trust.Target, sni string, remote netip.AddrPort, reverse bool) End {
	e := End{Remote: remote, Stop: Stalled, Why: "the time for the whole run was over before its turn came"}
	select {
	case n.slots <- struct{}{}:
		defer func() { <-n.slots }()
	case <-ctx.Done():
		return e
	}
	limit := n.Limit
	if limit == 0 {
		limit = TargetLimit
	}
	asking, stop := context.WithTimeout(ctx, limit)
	defer stop()
	e = n.ask(asking, t, sni, remote)
	if reverse && !t.Listener {
		e.Reverse = n.reverse(ctx, remote.Addr())
	}
	return e
}

// reverse looks up by what names DNS knows an address.
func (n Net) reverse(ctx context.Context, addr netip.Addr) *Reverse {
	ctx, stop := context.WithTimeout(ctx, ReverseLimit)
	defer stop()
	names, err := n.Reverse(ctx, addr.WithZone(""))
	var dns *net.DNSError
	r := Reverse{None: errors.As(err, &dns) && dns.IsNotFound || err == nil && len(names) == 0}
	for _, name := range names[:min(len(names), maxNames)] {
		r.Names = append(r.Names, root.Safe(strings.TrimSuffix(name, "."), maxName))
	}
	return &r
}

// splitTarget takes an address apart. Ports have no names here.
func splitTarget(address string) (host string, port uint16, err error) {
	host, digits, err := net.SplitHostPort(address)
	if err == nil && host == "" {
		err = errors.New("the host is missing")
	}
	if err != nil {
		return "", 0, fmt.Errorf("%s is not host:port", root.Safe(address, maxName))
	}
	n, err := strconv.ParseUint(digits, 10, 16)
	if err != nil || n == 0 {
		return "", 0, fmt.Errorf("%s is no port, a number from 1 to 65535", root.Safe(digits, maxName))
	}
	return host, uint16(n), nil
}

// sni returns the name that is sent to the server so that it can choose its
// certificate: the one that must verify; none for addresses (RFC 6066 3).
func sni(t trust.Target, host string) string {
	if t.Listener {
		return ""
	}
	name := host
	if t.Identity != "" {
		name = t.Identity
	}
	if _, err := netip.ParseAddr(name); err == nil {
		return ""
	}
	name, err := ascii(name)
	if err != nil {
		return ""
	}
	return name
}
