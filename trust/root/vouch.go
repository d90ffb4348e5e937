package root

import (
	"fmt"
	"strings"
)

// maxVouchLines bounds the lines of Vouches, maxListed the names in one line.
const (
	maxVouchLines = 20
	maxListed     = 20
)

// Vouches says in plain words for what the root may vouch, one line a limit
// (RFC 5280 4.2.1.9, 4.2.1.10, 4.2.1.12). It never returns nothing.
func Vouches(c *Certificate) []string {
	out := nameWords(c.nameLimits())
	if ids, there := c.purposes(); there {
		out = append(out, "only for "+purposeWords(ids)+", where a program enforces that (GnuTLS, NSS and Java do not)")
	}
	switch n := c.basic().pathLen; {
	case n == 0:
		out = append(out, "only for servers that it issues itself: no issuing CA may stand below it (path length 0)")
	case n > 0:
		out = append(out, fmt.Sprintf("over at most %d issuing CAs in a row (path length %d)", n, n))
	}
	if l := c.nameLimits(); l.there || c.basic().pathLen >= 0 {
		out = append(out, "these limits stand on the root: Java does not enforce them")
	}
	return out[:min(len(out), maxVouchLines)]
}

const anything = "any DNS name, any IP address, any mail address"

// nameWords says which names are left.
func nameWords(l nameLimits) []string {
	switch {
	case !l.there:
		return []string{anything}
	case l.bad:
		return []string{"unclear: its name constraints cannot be followed; count on " + anything}
	case l.empty():
		return []string{"its name constraints are empty: " + anything}
	}
	var out []string
	for _, f := range []struct {
		form      formKind
		any, none string
		words     func(subtree) string
	}{
		{formDNS, "any DNS name", "no DNS name", dnsWords},
		{formIP, "any IP address", "no IP address", ipWords},
		{formMail, "any mail address", "no mail address", mailWords},
		{formURI, "any URI", "no URI", uriWords},
	} {
		in, not := of(l.permitted, f.form), of(l.excluded, f.form)
		line := f.any
		switch {
		case len(in) > 0:
			line = "only " + list(in, f.words)
		case f.form == formIP && l.allIPExcluded(), covered(not):
			out = append(out, f.none)
			continue
		case len(not) == 0 && f.form == formURI:
			continue // a form of name that TLS does not use; left out where it is free
		case len(not) == 0:
			line += " (its name constraints name none)"
		}
		if len(not) > 0 {
			line += ", but not " + list(not, f.words)
		}
		out = append(out, line)
	}
	if n := len(of(l.all(), formDirectory)); n > 0 {
		out = append(out, directoryWords(l))
	}
	if l.has(func(t subtree) bool { return !goForms[t.form] && t.form != formDirectory }) {
		out = append(out, "with limits on other forms of name")
	}
	return out
}

// covered reports an excluded subtree of the empty name, which is every name.
func covered(list []subtree) bool {
	for _, t := range list {
		if t.form != formIP && t.text == "" {
			return true
		}
	}
	return false
}

func list(ts []subtree, words func(subtree) string) string {
	var out []string
	for i, t := range ts {
		if i == maxListed {
			out = append(out, fmt.Sprintf("%d more", len(ts)-i))
			break
		}
		out = append(out, words(t))
	}
	return strings.Join(out, "; ")
}

// dnsWords: with a leading dot the name itself is outside, as OpenSSL, GnuTLS,
// NSS and Go read it (measured); RFC 5280 speaks of the form without.
func dnsWords(t subtree) string {
	name := Safe(strings.TrimPrefix(t.text, "."), maxNameText)
	switch {
	case name == "":
		return "any DNS name"
	case strings.HasPrefix(t.text, "."):
		return "DNS names below " + name + ", not " + name + " itself"
	}
	return "the DNS name " + name + " and all below it"
}

func ipWords(t subtree) string {
	switch {
	case !t.net.IsValid():
		return "IP addresses with a mask that is none"
	case t.net.IsSingleIP():
		return "the IP address " + t.net.Addr().String()
	}
	return "IP addresses in " + t.net.String()
}

func mailWords(t subtree) string {
	name := Safe(t.text, maxNameText)
	switch {
	case name == "":
		return "any mail address"
	case strings.Contains(t.text, "@"):
		return "the mail address " + name
	case strings.HasPrefix(t.text, "."):
		return "mail addresses at hosts below " + Safe(t.text[1:], maxNameText)
	}
	return "mail addresses at " + name
}

func uriWords(t subtree) string {
	name := Safe(t.text, maxNameText)
	switch {
	case name == "":
		return "any URI"
	case strings.HasPrefix(t.text, "."):
		return "URIs of hosts below " + Safe(t.text[1:], maxNameText)
	}
	return "URIs of the host " + name
}

func directoryWords(l nameLimits) string {
	words := func(t subtree) string {
		if s := nameText(t.raw, maxNameText); s != "" {
			return s
		}
		return "any name"
	}
	in, not := of(l.permitted, formDirectory), of(l.excluded, formDirectory)
	line := "any subject name"
	if len(in) > 0 {
		line = "only subject names below " + list(in, words)
	}
	if len(not) > 0 {
		line += ", but not below " + list(not, words)
	}
	return line
}
