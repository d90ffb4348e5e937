package probe

import (
	"net/netip"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// about tells what concerns a target as a whole: its name, its addresses, and
// what DNS says of them.
func about(g Gathered, ends []trust.Endpoint) []trust.ServiceFinding {
	var fs []trust.ServiceFinding
	say := func(code, what string, args ...any) { fs = append(fs, finding(code, what, args...)) }
	if g.Unmade != "" {
		code := codeNotFound
		if g.Asked == "" {
			code = codeName
		}
		say(code, "%s", g.Unmade)
		return fs
	}
	if host, _, _ := splitTarget(g.Target.Address); g.Asked != "" && !plainASCII(host) {
		say(codeIDN, "%s was asked for as %s, which is how DNS and certificates write it", root.Safe(host, maxName), g.Asked)
	}
	if len(g.Passed) > 0 {
		say(codeManyAddrs, "it has %d addresses; %d were asked", len(g.Ends)+len(g.Passed), len(g.Ends))
	}
	if a, b, differ := differing(ends); differ {
		say(codeDiffer, "%s serves %s, %s serves %s", a.Remote, a.Leaf.SHA256.Short(), b.Remote, b.Leaf.SHA256.Short())
	}
	if g.Target.Listener {
		return fs
	}
	for _, e := range g.Ends {
		if what := reverseWords(e, g.Asked); what != "" {
			say(codeReverse, "%s", what)
		}
	}
	return sorted(fs)
}

// differing returns two endpoints that serve different certificates.
func differing(ends []trust.Endpoint) (a, b trust.Endpoint, differ bool) {
	first := slices.IndexFunc(ends, func(e trust.Endpoint) bool { return e.Leaf != nil })
	if first < 0 {
		return
	}
	for _, e := range ends[first:] {
		if e.Leaf != nil && e.Leaf.SHA256 != ends[first].Leaf.SHA256 {
			return ends[first], e, true
		}
	}
	return
}

// reverseWords compares the name that was asked for with the one that DNS gives
// an address back. Loopback and link-local addresses have none to speak of.
func reverseWords(e End, asked string) string {
	r := e.Reverse
	if r == nil || asked == "" || local(e.Remote.Addr()) {
		return ""
	}
	switch {
	case r.None:
		return "DNS knows no name for " + e.Remote.Addr().String()
	case len(r.Names) == 0, slices.ContainsFunc(r.Names, func(n string) bool { return strings.EqualFold(n, asked) }):
		return ""
	}
	return "DNS calls " + e.Remote.Addr().String() + " " + list(r.Names) + ", not " + asked
}

func local(a netip.Addr) bool { return a.IsLoopback() || a.IsLinkLocalUnicast() }
