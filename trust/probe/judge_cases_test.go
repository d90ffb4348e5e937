package probe_test

import (
	"crypto/tls"
	"crypto/x509"
	"net/netip"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/probe"
)

// chains are faults of what was sent and of what it leads to.
func chains(m map[string]found, t *testing.T, r, other, i, s party) {
	here := []party{r}
	add := func(name string, g probe.Gathered, in, more []party, answer trust.Answer, codes ...string) {
		m[name] = found{g: g, in: in, more: more, answer: answer, codes: codes}
	}
	m["right"] = found{g: chainOf(crane, s, i), in: here, answer: trust.Verifies, notes: []string{"revocation-unchecked"}}
	m["root sent"] = found{g: chainOf(crane, s, i, r), in: here, answer: trust.Verifies, notes: []string{"root-sent"}}
	add("missing", chainOf(crane, s), here, nil, trust.Fails, "issuer-missing")
	add("root unknown", chainOf(crane, s, i, r), []party{other}, nil, trust.Fails, "root-unknown")
	add("not here", chainOf(crane, s, i), []party{other}, here, trust.Fails, "root-not-here")
	add("another key", chainOf(crane, s, i), []party{newRoot(t, "Harbour Root 2026")}, nil, trust.Fails, "root-other-key")
	self := certify(t, newKey(t), nil, *i.server(t).Certificate, func(c *x509.Certificate) {
		c.PublicKey, c.PublicKeyAlgorithm, c.SignatureAlgorithm, c.AuthorityKeyId, c.Issuer = nil, 0, 0, nil, c.Subject
	})
	add("self-signed", chainOf(crane, self), here, nil, trust.Fails, "self-signed")
	ca := certify(t, newKey(t), &r, authority("crane.harbour.test"), names("crane.harbour.test"), between(time.Now().Add(-time.Hour), time.Now().AddDate(1, 0, 0)))
	add("a CA as server", chainOf(crane, ca), here, nil, trust.Verifies, "ca-as-leaf")

	deep := i.issuer(t, "Harbour Deep Issuing")
	d := deep.server(t)
	add("order", chainOf(crane, d, i, deep), here, nil, trust.Verifies, "chain-order")
	add("extra", chainOf(crane, s, i, other), here, nil, trust.Verifies, "chain-extra")
	add("twice", chainOf(crane, s, i, i), here, nil, trust.Verifies, "chain-extra")
	old := i.as(t, &r, between(time.Now().AddDate(-3, 0, 0), time.Now().AddDate(0, 0, -3)))
	add("stale twin", chainOf(crane, s, old, i), here, nil, trust.Verifies, "stale-twin")
	long := []party{s, i}
	for range probe.MaxSent {
		long = append(long, other)
	}
	add("too long", chainOf(crane, long...), here, nil, trust.Verifies, "chain-extra", "chain-too-long")
	renamed := r.as(t, nil, func(c *x509.Certificate) { c.SubjectKeyId = []byte("another identifier!!") })
	add("another identifier", chainOf(crane, s, i), []party{renamed}, nil, trust.Verifies, "aki-differs")
	add("another identifier, and the right one", chainOf(crane, s, i), []party{renamed, r}, nil, trust.Verifies)
	fat := r.issuer(t, "Harbour Fat Issuing", func(c *x509.Certificate) {
		for len(c.PermittedDNSDomains) < 5000 {
			c.PermittedDNSDomains = append(c.PermittedDNSDomains, "berth-of-the-harbour.test")
		}
	})
	add("large", chainOf(crane, s, i, fat), here, nil, trust.Verifies, "chain-extra", "chain-large")

	limited := newRoot(t, "Harbour Quay Root", only("quay.harbour.test"))
	add("outside its names", chainOf(crane, limited.server(t)), []party{limited}, nil, trust.Fails, "name-constrained")
	inside := newRoot(t, "Harbour Own Root", only("harbour.test"))
	m["inside its names"] = found{g: chainOf(crane, inside.server(t)), in: []party{inside}, answer: trust.Verifies, notes: []string{"root-limits"}}
	shallow := newRoot(t, "Harbour Shallow Root", depth(0))
	below := shallow.issuer(t, "Harbour Below")
	add("too deep", chainOf(crane, below.server(t), below), []party{shallow}, nil, trust.Fails, "path-length")
	add("no CA signed", chainOf(crane, s.server(t), s, i), here, nil, trust.Fails, "aki-missing", "issuer-not-ca")
	add("critical", chainOf(crane, i.server(t, critical), i), here, nil, trust.Fails, "critical-unknown")
}

// names40 are faults of names.
func names40(m map[string]found, t *testing.T, i party, here []party) {
	add := func(what, asked string, answer trust.Answer, codes []string, changes ...change) {
		m[what] = found{g: chainOf(called(asked), i.server(t, changes...), i), in: here, answer: answer, codes: codes}
	}
	bare := func(c *x509.Certificate) { c.DNSNames = nil }
	add("common name alone", "crane.harbour.test", trust.Fails, []string{"san-missing"}, bare)
	add("other common name", "winch.harbour.test", trust.Fails, []string{"san-missing"}, bare)
	add("no name at all", "crane.harbour.test", trust.Fails, []string{"san-missing"}, names())
	add("another name", "winch.harbour.test", trust.Fails, []string{"name-mismatch"})
	add("a final dot", "crane.harbour.test.", trust.Verifies, nil)
	add("upper case", "CRANE.Harbour.test", trust.Verifies, nil)
	add("short", "crane", trust.Fails, []string{"name-short"})
	add("address", "192.0.2.7", trust.Verifies, nil, addresses("192.0.2.7"))
	add("other address", "192.0.2.8", trust.Fails, []string{"name-mismatch"}, addresses("192.0.2.7"))
	add("address as DNS", "192.0.2.7", trust.Fails, []string{"ip-as-dns"}, names("192.0.2.7"))
	add("wildcard", "crane.harbour.test", trust.Verifies, nil, names("*.harbour.test"))
	add("wildcard, two labels", "a.b.harbour.test", trust.Fails, []string{"wildcard-level"}, names("*.harbour.test"))
	add("wildcard, none", "harbour.test", trust.Fails, []string{"wildcard-level"}, names("*.harbour.test"))
	add("wildcard in a label", "crane.harbour.test", trust.Fails, []string{"name-mismatch", "wildcard-form"}, names("cr*.harbour.test"))
	add("wildcard too wide", "harbour.test", trust.Verifies, []string{"wildcard-wide"}, names("*.test"))
	add("IDN", "zollbrücke.harbour.test", trust.Verifies, nil, names("xn--zollbrcke-v9a.harbour.test"))
	add("no name", "crane harbour", trust.Fails, []string{"name-unusable"})
}

// reached are ends of connections, and what concerns all addresses.
func reached(m map[string]found, s, i party, here []party) {
	for stop, want := range map[probe.Stop]found{
		probe.NoRoute:   {answer: trust.Silent, notes: []string{"address-no-route"}},
		probe.Unreached: {answer: trust.Silent, codes: []string{"no-answer"}},
		probe.Stalled:   {answer: trust.Silent, codes: []string{"no-answer"}},
		probe.Closed:    {answer: trust.Silent, codes: []string{"no-answer"}},
		probe.Plain:     {answer: trust.NotTLS, codes: []string{"not-tls"}},
		probe.NoUpgrade: {answer: trust.NotTLS, codes: []string{"starttls-refused"}},
		probe.Alerted:   {answer: trust.Fails, codes: []string{"handshake-failed"}},
		probe.Broken:    {answer: trust.Fails, codes: []string{"handshake-failed"}},
		probe.Flooded:   {answer: trust.Fails, codes: []string{"handshake-too-large"}},
	} {
		want.g = ended(stop)
		m["ended: "+string(stop)] = want
	}
	closed := ended(probe.Closed)
	closed.Target.Listener = true
	m["a listener that hangs up"] = found{g: closed, answer: trust.NotTLS, codes: []string{"not-tls"}}

	right := func(change func(*probe.End)) probe.Gathered {
		g := chainOf(crane, s, i)
		change(&g.Ends[0])
		return g
	}
	m["TLS 1.1"] = found{g: right(func(e *probe.End) { e.Version = tls.VersionTLS11 }), in: here, answer: trust.Fails, codes: []string{"tls-version"}}
	m["old suite"] = found{g: right(func(e *probe.End) { e.Version, e.Suite = tls.VersionTLS12, tls.TLS_RSA_WITH_AES_128_CBC_SHA }), in: here, answer: trust.Verifies, codes: []string{"cipher-outdated"}}
	m["client certificate"] = found{g: right(func(e *probe.End) { e.Demanded, e.Stop = true, probe.Alerted }), in: here, answer: trust.Verifies, notes: []string{"client-certificate"}}
	m["unreadable"] = found{g: right(func(e *probe.End) { e.Chain, e.Stop = [][]byte{spoilt(s.Raw), i.Raw}, probe.Broken }), in: here, answer: trust.Fails, codes: []string{"unparsable"}}
	m["issuer unreadable"] = found{g: right(func(e *probe.End) { e.Chain, e.Stop = [][]byte{s.Raw, i.Raw, {1, 2, 3}}, probe.Broken }), in: here, answer: trust.Fails, codes: []string{"issuer-unparsable"}}

	m["not known"] = found{g: probe.Gathered{Target: crane, Asked: "crane.harbour.test", Unmade: "crane.harbour.test is not known"}, answer: trust.Silent, codes: []string{"dns-missing"}}
	m["no target"] = found{g: probe.Gathered{Target: crane, Unmade: "crane is not host:port"}, answer: trust.Silent, codes: []string{"name-unusable"}}
	many := chainOf(crane, s, i)
	many.Passed = []netip.Addr{netip.MustParseAddr("192.0.2.9")}
	m["many addresses"] = found{g: many, in: here, answer: trust.Verifies, notes: []string{"addresses-many"}}
	two := chainOf(crane, s, i)
	two.Ends = append(two.Ends, probe.End{Remote: netip.MustParseAddrPort("192.0.2.9:443"), Version: tls.VersionTLS13, Chain: ders(i, i)[:1]})
	m["two certificates"] = found{g: two, in: here, answer: trust.Fails, codes: []string{"addresses-differ", "ca-as-leaf", "lifetime-long", "san-missing"}}
	back := chainOf(crane, s, i)
	back.Asked = "crane.harbour.test"
	back.Ends[0].Remote, back.Ends[0].Reverse = netip.MustParseAddrPort("192.0.2.7:443"), &probe.Reverse{Names: []string{"old.harbour.test"}}
	m["reverse"] = found{g: back, in: here, answer: trust.Verifies, notes: []string{"dns-reverse"}}
	idn := chainOf(trust.Target{Address: "zollbrücke.harbour.test:443", Identity: "crane.harbour.test"}, s, i)
	idn.Asked = "xn--zollbrcke-v9a.harbour.test"
	m["IDN asked"] = found{g: idn, in: here, answer: trust.Verifies, notes: []string{"name-converted"}}
}

// spoilt makes a certificate's version one that crypto/x509 does not know.
func spoilt(der []byte) []byte {
	out := append([]byte{}, der...)
	for k := range out[:len(out)-5] {
		if out[k] == 0xa0 && out[k+1] == 3 && out[k+2] == 2 && out[k+3] == 1 {
			out[k+4] = 7
			break
		}
	}
	return out
}
