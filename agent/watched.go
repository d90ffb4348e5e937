package agent

import (
	"net/url"
	"slices"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
)

// Watched lists the services that the policy has this host probe, at the time
// that the policy itself allows: a stale one opens no stage.
func Watched(p policy.Verified, host policy.HostFacts) []trust.Target {
	if p.IsZero() {
		return nil
	}
	var targets []trust.Target
	for _, s := range policy.Probed(p.Document(), host, p.AsOf()) {
		t := trust.Target{Service: s.Name, Address: s.Address, Identity: s.Identity, StartTLS: s.StartTLS}
		if !slices.ContainsFunc(targets, func(o trust.Target) bool { return sameTarget(o, t) }) {
			targets = append(targets, t)
		}
	}
	return targets
}

// Own lists the services that the agent itself needs: without them no later
// policy would reach this host. A source that is a file needs none; one that is
// verified by roots of its own loses nothing with the machine's, and one behind
// a proxy cannot be asked past it.
func Own(s Settings) []trust.Target {
	var targets []trust.Target
	add := func(name, address string) {
		u, err := url.Parse(address)
		if err != nil || u.Scheme != "https" || u.Hostname() == "" {
			return
		}
		at := u.Host
		if u.Port() == "" {
			at += ":443" // RFC 9110 4.2.2
		}
		targets = append(targets, trust.Target{Service: name, Address: at})
	}
	if s.Source.CA == "" && s.Source.Proxy == "" {
		add("where this host's policy comes from", s.Policy)
	}
	return targets
}

// sameTarget reports whether two targets are one question, whatever they are
// called, and whichever program answers.
func sameTarget(a, b trust.Target) bool {
	a.Service, b.Service, a.Process, b.Process = "", "", "", ""
	return a == b
}
