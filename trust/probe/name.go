package probe

import (
	"crypto/x509"
	"net/netip"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// identity returns the name that must verify: an address, or a DNS name in
// ASCII.
func identity(t trust.Target) (name string, ip netip.Addr, err error) {
	name = t.Identity
	if name == "" {
		if name, _, err = splitTarget(t.Address); err != nil {
			return "", netip.Addr{}, err
		}
	}
	if ip, err := netip.ParseAddr(strings.Trim(name, "[]")); err == nil {
		ip = ip.WithZone("").Unmap()
		return ip.String(), ip, nil
	}
	name, err = ascii(name)
	return name, netip.Addr{}, err
}

// named reports whether the service's certificate is for the name that was
// asked for (RFC 9525 6). Where it is not, it says which names it is for.
func (j *judging) named() bool {
	leaf := j.leaf()
	name, ip, err := identity(j.target)
	if err != nil {
		j.say(codeName, "%s", root.Safe(err.Error(), maxText))
		return false
	}
	j.wildcards(leaf, name, ip)
	if leaf.VerifyHostname(name) == nil {
		return true
	}
	shown := root.Safe(name, maxName)
	switch {
	case len(leaf.DNSNames)+len(leaf.IPAddresses) == 0:
		j.noNames(leaf, name)
	case len(leaf.DNSNames) == 0 && !ip.IsValid() && isCommon(leaf, name):
		j.say(codeNoSAN, "the certificate is for %s only: it has no DNS name, and its common name %s does not count", list(namesOf(leaf)), root.Safe(leaf.Subject.CommonName, maxName))
	case ip.IsValid() && slices.Contains(leaf.DNSNames, name):
		j.say(codeIPAsDNS, "the certificate holds %s as a DNS name, not as an address", shown)
	case ip.IsValid():
		j.say(codeMismatch, "the certificate is not for the address %s, %s", shown, isFor(leaf))
	case nearWildcard(leaf, name) != "":
		j.say(codeWildcard, "the certificate's %s does not stand for %s: a wildcard is exactly one label, %s", root.Safe(nearWildcard(leaf, name), maxName), shown, isFor(leaf))
	case !strings.Contains(name, ".") && len(longNames(leaf, name)) > 0:
		j.say(codeShort, "the certificate is not for the short name %s; these work: %s", shown, list(longNames(leaf, name)))
	default:
		j.say(codeMismatch, "the certificate is not for %s, %s", shown, isFor(leaf))
	}
	return false
}

// noNames tells of a certificate with a common name at most.
func (j *judging) noNames(leaf *x509.Certificate, name string) {
	cn := leaf.Subject.CommonName
	switch {
	case cn == "":
		j.say(codeNoSAN, "the certificate has no subjectAltName with a name or an address, and no common name either")
	case isCommon(leaf, name):
		j.say(codeNoSAN, "the certificate has no subjectAltName with a name or an address; its common name %s would have matched, but the common name does not count", root.Safe(cn, maxName))
	default:
		j.say(codeNoSAN, "the certificate has no subjectAltName with a name or an address; its common name %s does not count, and would not have matched", root.Safe(cn, maxName))
	}
}

// isCommon reports whether the common name would have matched, did it count.
func isCommon(leaf *x509.Certificate, name string) bool {
	return strings.EqualFold(strings.TrimSuffix(leaf.Subject.CommonName, "."), name)
}

// wildcards tells of those that do not stand for what their owner may think.
func (j *judging) wildcards(leaf *x509.Certificate, name string, ip netip.Addr) {
	for _, n := range leaf.DNSNames {
		first, rest, _ := strings.Cut(n, ".")
		switch {
		case strings.Contains(rest, "*"), first != "*" && strings.Contains(first, "*"):
			j.say(codeWildcardForm, "the certificate's name %s is no wildcard by today's rules", root.Safe(n, maxName))
			return
		case first == "*" && !strings.Contains(strings.TrimSuffix(rest, "."), ".") && !ip.IsValid() && matches(n, name):
			j.say(codeWildcardWide, "the certificate is for %s, every name below a top-level domain", root.Safe(n, maxName))
			return
		}
	}
}

// matches reports whether a wildcard, the whole left-most label, stands for a
// name (RFC 9525 6.3).
func matches(wildcard, name string) bool {
	base, ok := strings.CutPrefix(wildcard, "*.")
	_, rest, dotted := strings.Cut(name, ".")
	return ok && dotted && strings.EqualFold(strings.TrimSuffix(base, "."), rest)
}

// nearWildcard returns the wildcard that a person may take for the name: of the
// same domain, one level off; or "".
func nearWildcard(leaf *x509.Certificate, name string) string {
	for _, n := range leaf.DNSNames {
		base, ok := strings.CutPrefix(strings.ToLower(strings.TrimSuffix(n, ".")), "*.")
		if ok && (name == base || strings.HasSuffix(name, "."+base)) {
			return n
		}
	}
	return ""
}

// longNames lists the certificate's names that begin with a short one.
func longNames(leaf *x509.Certificate, short string) []string {
	var out []string
	for _, n := range leaf.DNSNames {
		first, rest, _ := strings.Cut(n, ".")
		switch {
		case rest == "":
		case strings.EqualFold(first, short):
			out = append(out, root.Safe(n, maxName))
		case first == "*":
			out = append(out, root.Safe(short+"."+rest, maxName))
		}
	}
	return out
}

// namesOf lists what a certificate is for, made safe to show and bounded.
func namesOf(c *x509.Certificate) []string {
	var out []string
	for _, n := range c.DNSNames {
		out = append(out, root.Safe(n, maxName))
	}
	for _, ip := range c.IPAddresses {
		out = append(out, ip.String())
	}
	if len(out) > maxNames {
		out = append(out[:maxNames-1], "…")
	}
	return out
}

func isFor(c *x509.Certificate) string {
	if len(namesOf(c)) == 0 {
		return "and names nothing that counts"
	}
	return "it is for " + list(namesOf(c))
}

// list joins the first names for a sentence.
func list(names []string) string {
	const shown = 6
	if len(names) > shown {
		return strings.Join(names[:shown], ", ") + " and others"
	}
	return strings.Join(names, ", ")
}
