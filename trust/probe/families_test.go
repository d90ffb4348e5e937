package probe_test

import (
	"crypto/x509"
	"testing"
)

// families are the shapes that a trust store and its services take while roots
// change over. Each is made anew, with new keys.
var families = []struct {
	name string
	make func(*testing.T) family
}{
	{"one root", oneRoot}, {"cross-signed", crossSigned}, {"renewed", renewed}, {"serials", serials}, {"twins", twins},
	{"one serial", oneSerial}, {"limits", limits}, {"purposes", purposes},
}

func oneRoot(t *testing.T) family {
	r, other := newRoot(t, "Harbour Root"), newRoot(t, "Harbour Depot Root")
	i, o := r.issuer(t, "Harbour Issuing"), other.issuer(t, "Harbour Depot Issuing")
	deep := i.issuer(t, "Harbour Deep Issuing")
	stale := r.issuer(t, "Harbour Stale Issuing", past)
	s, d := i.server(t), deep.server(t)
	self := certify(t, newKey(t), nil, x509.Certificate{BasicConstraintsValid: true, KeyUsage: x509.KeyUsageDigitalSignature},
		func(c *x509.Certificate) { c.Subject, c.NotBefore, c.NotAfter = s.Subject, s.NotBefore, s.NotAfter }, func(c *x509.Certificate) { c.DNSNames = s.DNSNames })
	return family{
		roots: map[string]party{"root": r, "other": other, "self": self},
		chains: map[string][]party{
			"right": {s, i}, "missing": {s}, "with root": {s, i, r}, "root first": {s, r, i}, "deep": {d, deep, i}, "deep, disorder": {d, i, deep},
			"deep, gap": {d, deep}, "unrelated": {s, o, i, other}, "twice": {s, i, i, i}, "direct": {r.server(t)}, "wrong issuer": {s, o},
			"expired": {i.server(t, past), i}, "not yet": {i.server(t, future), i}, "stale issuer": {stale.server(t), stale}, "self-signed": {self},
		},
		carry: map[string][]string{
			"right": {"root"}, "missing": nil, "with root": {"root"}, "root first": {"root"}, "deep": {"root"}, "deep, disorder": {"root"},
			"deep, gap": nil, "unrelated": {"root"}, "twice": {"root"}, "direct": {"root"}, "wrong issuer": nil,
			"expired": nil, "not yet": nil, "stale issuer": nil, "self-signed": {"self"},
		},
	}
}

// crossSigned has two roots, each of which signed the other's key as well.
func crossSigned(t *testing.T) family {
	before, after := newRoot(t, "Harbour Root 2020"), newRoot(t, "Harbour Root 2026")
	forth, back, stale := after.as(t, &before), before.as(t, &after), after.as(t, &before, past)
	i, j := before.issuer(t, "Harbour Issuing 2020"), after.issuer(t, "Harbour Issuing 2026")
	s, u := i.server(t), j.server(t)
	return family{
		roots: map[string]party{"before": before, "after": after},
		pairs: true,
		chains: map[string][]party{
			"old service": {s, i}, "old service, cross": {s, i, back}, "new service": {u, j}, "new service, cross": {u, j, forth},
			"new service, cross first": {u, forth, j}, "new service, both crosses": {u, j, back, forth}, "new service, stale cross": {u, j, stale},
			"new service, cross and stale": {u, j, stale, forth}, "issuer not sent, cross": {u, forth},
			"new service, cross and old root": {u, j, forth, before}, "new service, cross and new root": {u, j, forth, after},
		},
		carry: map[string][]string{
			"old service": {"before"}, "old service, cross": {"after", "before"}, "new service": {"after"}, "new service, cross": {"after", "before"},
			"new service, cross first": {"after", "before"}, "new service, both crosses": {"after", "before"}, "new service, stale cross": {"after"},
			"new service, cross and stale": {"after", "before"}, "issuer not sent, cross": nil,
			"new service, cross and old root": {"after", "before"}, "new service, cross and new root": {"after", "before"},
		},
	}
}

// renewed has a root that expired, and the same name and key certified anew,
// once as it should be and once with another key identifier.
func renewed(t *testing.T) family {
	expired := newRoot(t, "Harbour Root", past)
	twin := expired.as(t, nil)
	renamed := expired.as(t, nil, func(c *x509.Certificate) { c.SubjectKeyId = []byte("another identifier!!") })
	i := expired.issuer(t, "Harbour Issuing")
	s := i.server(t)
	// Some CAs name the issuer's serial number as well, which a twin never has.
	exact := expired.issuer(t, "Harbour Exact Issuing", naming(t, twin))
	right := []string{"renamed", "twin"}
	return family{
		roots: map[string]party{"expired": expired, "twin": twin, "renamed": renamed},
		pairs: true,
		chains: map[string][]party{"right": {s, i}, "with expired": {s, i, expired}, "with twin": {s, i, twin}, "with both": {s, i, expired, twin},
			"by the twin's serial": {exact.server(t), exact}},
		carry:   map[string][]string{"right": right, "with expired": right, "with twin": right, "with both": right, "by the twin's serial": right},
		doubted: map[string][]string{"right": {"renamed"}, "with expired": {"renamed"}, "with twin": {"renamed"}, "with both": {"renamed"}, "by the twin's serial": {"renamed"}},
	}
}

// serials has twins that only their serial numbers tell apart.
func serials(t *testing.T) family {
	old := newRoot(t, "Harbour Root")
	young := old.as(t, nil)
	i, j := old.issuer(t, "Harbour Issuing", naming(t, old)), old.issuer(t, "Harbour Issuing", naming(t, young))
	both := []string{"old", "young"}
	return family{
		roots:   map[string]party{"old": old, "young": young},
		pairs:   true,
		chains:  map[string][]party{"names old": {i.server(t), i}, "names young": {j.server(t), j}},
		carry:   map[string][]string{"names old": both, "names young": both},
		doubted: map[string][]string{"names old": {"young"}, "names young": {"old"}},
	}
}

// twins have one name and two keys.
func twins(t *testing.T) family {
	a, b := newRoot(t, "Harbour Root"), newRoot(t, "Harbour Root")
	i, j, silent := a.issuer(t, "Harbour Issuing"), b.issuer(t, "Harbour Issuing"), a.mute().issuer(t, "Harbour Old Issuing")
	s, u := i.server(t), j.server(t)
	return family{
		roots: map[string]party{"a": a, "b": b},
		pairs: true,
		chains: map[string][]party{"of a": {s, i}, "of b": {u, j}, "of a, both issuers": {s, j, i}, "of a, other issuer": {s, j}, "of a, other root": {s, i, b},
			"of a, no key named": {silent.server(t), silent}, "of a, no key named by both": {silent.mute().server(t), silent}, "direct, no key named": {a.mute().server(t)}},
		carry: map[string][]string{"of a": {"a"}, "of b": {"b"}, "of a, both issuers": {"a"}, "of a, other issuer": nil, "of a, other root": {"a"},
			"of a, no key named": {"a"}, "of a, no key named by both": {"a"}, "direct, no key named": {"a"}},
	}
}

// oneSerial has roots that only their keys, or their names, tell apart.
func oneSerial(t *testing.T) family {
	a, b, c := newRoot(t, "Harbour Root", serial(7)), newRoot(t, "Harbour Root", serial(7)), newRoot(t, "Harbour Depot Root", serial(7))
	i, j, k := a.issuer(t, "Harbour Issuing", serial(7)), b.issuer(t, "Harbour Issuing", serial(7)), c.issuer(t, "Harbour Depot Issuing", serial(7))
	return family{
		roots:  map[string]party{"a": a, "b": b, "c": c},
		pairs:  true,
		chains: map[string][]party{"of a": {i.server(t, serial(7)), i}, "of b": {j.server(t, serial(7)), j}, "of c": {k.server(t, serial(7)), k}, "of c, all sent": {k.server(t), i, j, k}},
		carry:  map[string][]string{"of a": {"a"}, "of b": {"b"}, "of c": {"c"}, "of c, all sent": {"c"}},
	}
}

// limits has roots that may vouch for some names only, or for servers only.
func limits(t *testing.T) family {
	n := newRoot(t, "Harbour Names Root", only("harbour.test"))
	d, e := newRoot(t, "Harbour Flat Root", depth(0)), newRoot(t, "Harbour Low Root", depth(1))
	i, f, low := n.issuer(t, "Harbour Names Issuing"), d.issuer(t, "Harbour Flat Issuing"), e.issuer(t, "Harbour Low Issuing")
	lower := low.issuer(t, "Harbour Lower Issuing")
	common := func(c *x509.Certificate) { c.DNSNames, c.Subject.CommonName = nil, "crane.depot.test" }
	return family{
		roots: map[string]party{"names": n, "flat": d, "low": e},
		chains: map[string][]party{
			"inside": {i.server(t), i}, "outside": {i.server(t, names("crane.depot.test")), i}, "one of two outside": {i.server(t, names("crane.harbour.test", "crane.depot.test")), i},
			"address": {i.server(t, names(), addresses("192.0.2.7")), i}, "common name outside": {i.server(t, common), i}, "wildcard": {i.server(t, names("*.harbour.test")), i},
			"flat": {d.server(t)}, "flat, too deep": {f.server(t), f}, "low": {low.server(t), low}, "low, too deep": {lower.server(t), lower, low},
		},
		carry: map[string][]string{
			"inside": {"names"}, "outside": nil, "one of two outside": nil, "address": {"names"}, "common name outside": {"names"}, "wildcard": {"names"},
			"flat": {"flat"}, "flat, too deep": nil, "low": {"low"}, "low, too deep": nil,
		},
	}
}

// purposes has certificates that are not for what they are used for.
func purposes(t *testing.T) family {
	r := newRoot(t, "Harbour Root")
	i := r.issuer(t, "Harbour Issuing")
	no := r.issuer(t, "Harbour Numb Issuing", func(c *x509.Certificate) { c.KeyUsage = x509.KeyUsageCRLSign })
	leafy := r.issuer(t, "Harbour Leafy Issuing", func(c *x509.Certificate) { c.IsCA, c.KeyUsage = false, x509.KeyUsageDigitalSignature })
	people := r.issuer(t, "Harbour People Issuing", usage(x509.ExtKeyUsageClientAuth))
	servers := r.issuer(t, "Harbour Servers Issuing", usage(x509.ExtKeyUsageServerAuth))
	odd := r.issuer(t, "Harbour Odd Issuing", critical)
	return family{
		roots: map[string]party{"root": r},
		chains: map[string][]party{
			"may not sign": {no.server(t), no}, "no authority": {leafy.server(t), leafy}, "for people": {people.server(t), people}, "for servers": {servers.server(t), servers},
			"odd issuer": {odd.server(t), odd}, "odd leaf": {i.server(t, critical), i}, "leaf for people": {i.server(t, usage(x509.ExtKeyUsageClientAuth)), i},
			"leaf for anything": {i.server(t, usage()), i}, "leaf for both": {i.server(t, usage(x509.ExtKeyUsageClientAuth, x509.ExtKeyUsageServerAuth)), i},
			"authority as leaf": {i, r},
		},
		carry: map[string][]string{
			"may not sign": nil, "no authority": nil, "for people": nil, "for servers": {"root"}, "odd issuer": nil, "odd leaf": nil, "leaf for people": nil,
			"leaf for anything": {"root"}, "leaf for both": {"root"}, "authority as leaf": {"root"},
		},
	}
}
