package root

import (
	"net/netip"

	"golang.org/x/crypto/cryptobyte"
	der "golang.org/x/crypto/cryptobyte/asn1"
)

// maxSubtrees bounds the subtrees that are read of one extension.
const maxSubtrees = 1000

// formKind is a choice of GeneralName by its tag (RFC 5280 4.2.1.6).
type formKind int

const (
	formOther     formKind = 0
	formMail      formKind = 1
	formDNS       formKind = 2
	formX400      formKind = 3
	formDirectory formKind = 4
	formEDI       formKind = 5
	formURI       formKind = 6
	formIP        formKind = 7
	formID        formKind = 8
)

// subtree is one GeneralSubtree of name constraints.
type subtree struct {
	form   formKind
	text   string       // of DNS, mail and URI
	net    netip.Prefix // of IP, where the mask is one
	raw    []byte       // of a directory name: its DER
	bounds bool         // a minimum or maximum stands behind the base
}

// nameLimits is what nameConstraints says (RFC 5280 4.2.1.10).
type nameLimits struct {
	there, critical     bool
	permitted, excluded []subtree
	bad                 bool // it cannot be followed
}

func (c *Certificate) nameLimits() nameLimits {
	e, ok := c.extension(extNameConstraints)
	l := nameLimits{there: ok, critical: e.Critical}
	if !ok {
		return l
	}
	s := cryptobyte.String(e.Value)
	var p, x cryptobyte.String
	var has bool
	tag := func(n uint8) der.Tag { return der.Tag(n).ContextSpecific().Constructed() }
	if !s.ReadASN1(&s, der.SEQUENCE) || !s.ReadOptionalASN1(&p, &has, tag(0)) || !s.ReadOptionalASN1(&x, &has, tag(1)) {
		l.bad = true
		return l
	}
	l.permitted, l.excluded = l.subtrees(p), l.subtrees(x)
	return l
}

func (l *nameLimits) subtrees(s cryptobyte.String) []subtree {
	var out []subtree
	for !s.Empty() {
		var one, value cryptobyte.String
		var tag der.Tag
		if !s.ReadASN1(&one, der.SEQUENCE) || !one.ReadAnyASN1(&value, &tag) || len(out) == maxSubtrees {
			l.bad = true
			return out
		}
		t := subtree{form: formKind(tag & 0x1f), bounds: !one.Empty()}
		switch t.form {
		case formDNS, formMail, formURI:
			t.text = string(value)
		case formIP:
			t.net, _ = maskedPrefix(value)
		case formDirectory:
			t.raw = value
		}
		out = append(out, t)
	}
	return out
}

// maskedPrefix reads address and mask (RFC 5280 4.2.1.10); false where the
// mask is not one of leading bits.
func maskedPrefix(b []byte) (netip.Prefix, bool) {
	if len(b) != 8 && len(b) != 32 {
		return netip.Prefix{}, false
	}
	addr, _ := netip.AddrFromSlice(b[:len(b)/2])
	bits, done := 0, false
	for _, m := range b[len(b)/2:] {
		for i := 7; i >= 0; i-- {
			one := m>>i&1 == 1
			if one && done {
				return netip.Prefix{}, false
			}
			if done = done || !one; !done {
				bits++
			}
		}
	}
	return netip.PrefixFrom(addr, bits).Masked(), true
}

func (l nameLimits) empty() bool { return len(l.permitted) == 0 && len(l.excluded) == 0 }

// all returns permitted and excluded subtrees.
func (l nameLimits) all() []subtree {
	return append(l.permitted[:len(l.permitted):len(l.permitted)], l.excluded...)
}

func (l nameLimits) has(pick func(subtree) bool) bool {
	for _, t := range l.all() {
		if pick(t) {
			return true
		}
	}
	return false
}

// of returns the subtrees of one form.
func of(list []subtree, form formKind) []subtree {
	var out []subtree
	for _, t := range list {
		if t.form == form {
			out = append(out, t)
		}
	}
	return out
}

// allIPExcluded reports that neither an IPv4 nor an IPv6 address is left.
func (l nameLimits) allIPExcluded() bool {
	var v4, v6 bool
	for _, t := range of(l.excluded, formIP) {
		if t.net.IsValid() && t.net.Bits() == 0 {
			v4, v6 = v4 || t.net.Addr().Is4(), v6 || t.net.Addr().Is6()
		}
	}
	return v4 && v6
}

// purposes returns the dotted names of the extended key usage (RFC 5280
// 4.2.1.12).
func (c *Certificate) purposes() (ids []string, there bool) {
	e, ok := c.extension(extExtKeyUsage)
	if !ok {
		return nil, false
	}
	s := cryptobyte.String(e.Value)
	if !s.ReadASN1(&s, der.SEQUENCE) {
		return nil, true
	}
	for !s.Empty() && len(ids) < maxSubtrees {
		id, ok := readID(&s)
		if !ok {
			break
		}
		ids = append(ids, id)
	}
	return ids, true
}
