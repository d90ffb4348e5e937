package main

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/dependent"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// harbourRoots are an old root, one that the store holds too, and one that it
// does not hold.
type harbourRoots struct {
	cert             *root.Certificate
	old, here, later root.Fingerprint
}

func newHarbourRoots(t *testing.T) harbourRoots {
	t.Helper()
	c, err := root.Parse(trusttest.NewAuthority(t, "Harbour Root 2016").Cert.Raw)
	if err != nil {
		t.Fatal(err)
	}
	return harbourRoots{c, c.Fingerprint(), root.Of([]byte("here")), root.Of([]byte("later"))}
}

func (h harbourRoots) in(fp root.Fingerprint) bool { return fp == h.old || fp == h.here }

func leafUntil(name string, until time.Time) trust.ServedCertificate {
	return trust.ServedCertificate{SHA256: root.Of([]byte(name)), Names: []string{name}, NotAfter: until}
}

func served(address string, until time.Time, anchors ...root.Fingerprint) trust.Verdict {
	leaf := leafUntil(address, until)
	return trust.Verdict{Target: trust.Target{Address: address, Service: "a service"}, Answer: trust.Verifies,
		Endpoints: []trust.Endpoint{{Remote: "192.0.2.1:443", Answer: trust.Verifies, Leaf: &leaf, Anchors: anchors}}}
}

func TestDependentsOf(t *testing.T) {
	h := newHarbourRoots(t)
	year := time.Now().UTC().Truncate(24*time.Hour).AddDate(1, 0, 0)
	month := year.AddDate(0, -11, 0)
	listener := served("127.0.0.1:8443", month, h.old, h.here)
	listener.Target.Listener, listener.Target.Process = true, "nginx"
	listener.Endpoints = append(listener.Endpoints, listener.Endpoints[0])
	files := dependent.Answer{Files: []dependent.File{
		{Server: "nginx", Config: "/etc/nginx/nginx.conf", Line: 7, Path: "/etc/harbour/crane.pem", Leaf: leafUntil("crane", year.AddDate(0, 0, -1)), Anchors: []root.Fingerprint{h.old, h.later}},
		{Path: "/etc/harbour/other.pem", Leaf: leafUntil("other", year.AddDate(5, 0, 0)), Anchors: []root.Fingerprint{h.here}},
		{Path: "/etc/harbour/ended.pem", Leaf: leafUntil("ended", month), Anchors: []root.Fingerprint{h.old}, Ended: true},
	}}
	d := dependentsOf(h.cert, h.in, []trust.Verdict{served("tide.harbour.test:443", year, h.old), listener, served("quay.harbour.test:443", year, h.here), served("pier.harbour.test:443", year)}, files)
	var got []string
	for _, o := range d.all {
		got = append(got, strings.Join([]string{o.Kind, o.What, o.Where, o.Config, map[bool]string{true: "alone"}[o.breaks()]}, "|"))
	}
	if want := []string{"listener|nginx|127.0.0.1:8443||", "file|nginx|/etc/harbour/crane.pem|/etc/nginx/nginx.conf:7|alone", "service|a service|tide.harbour.test:443||alone"}; !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	if len(d.all[1].Later) != 1 || d.all[1].Later[0] != h.later || len(d.all[0].Also) != 1 || d.all[0].Also[0] != h.here || d.ended != 1 {
		t.Errorf("%+v", d)
	}
	if want := year.AddDate(0, 0, 1); !d.safe().Equal(want) || d.code() != exitWrong || len(d.alone()) != 2 {
		t.Errorf("safe on %s, want %s; exit %d", d.safe(), want, d.code())
	}
	says(t, d.sentence(), "Earliest safe date: "+year.AddDate(0, 0, 1).Format(day), "2 certificates would stop verifying", "/etc/harbour/crane.pem, tide.harbour.test:443")
}

// TestDependentsSafe has a root that ends before the certificates by it, and
// certificates that another root carries too.
func TestDependentsSafe(t *testing.T) {
	h := newHarbourRoots(t)
	late := h.cert.NotAfter.AddDate(1, 0, 0)
	d := dependentsOf(h.cert, h.in, []trust.Verdict{served("a:1", late, h.old)}, dependent.Answer{})
	if end := h.cert.NotAfter.UTC().Truncate(24*time.Hour).AddDate(0, 0, 1); !d.safe().Equal(end) {
		t.Errorf("safe on %s, want %s", d.safe(), end)
	}
	d = dependentsOf(h.cert, h.in, []trust.Verdict{served("a:1", late, h.old, h.here)}, dependent.Answer{})
	if !d.safe().IsZero() || d.code() != exitWrong || !strings.HasPrefix(d.sentence(), "Earliest safe date: today") {
		t.Errorf("safe on %s, exit %d, %q", d.safe(), d.code(), d.sentence())
	}
}

// TestDependentsUnknown keeps apart what hides a dependent and what hides none.
func TestDependentsUnknown(t *testing.T) {
	h := newHarbourRoots(t)
	to := trust.Target{Address: "127.0.0.1:9", Listener: true}
	ends := func(all ...trust.Endpoint) []trust.Verdict {
		return []trust.Verdict{{Target: to, Endpoints: all}}
	}
	leaf := leafUntil("x", time.Now())
	refused := []trust.ServiceFinding{{Severity: root.Note, What: "a note"}, {Severity: root.Refuse, What: "it says nothing"}}
	for _, c := range []struct {
		name     string
		verdicts []trust.Verdict
		unread   []dependent.Unread
		code     int
		why      string
	}{
		{"nothing at all", nil, nil, exitRight, ""},
		{"silent", ends(trust.Endpoint{Answer: trust.Silent, Findings: refused}), nil, exitUnknown, "it says nothing"},
		{"TLS without a certificate", ends(trust.Endpoint{Answer: trust.Fails}), nil, exitUnknown, "fails"},
		{"no TLS", ends(trust.Endpoint{Answer: trust.NotTLS}), nil, exitRight, ""},
		{"not resolved", ends(), nil, exitUnknown, "nobody could be asked"},
		{"another root's", ends(trust.Endpoint{Answer: trust.Fails, Leaf: &leaf}), nil, exitRight, ""},
		{"certificates that Go does not judge", ends(trust.Endpoint{Answer: trust.Fails, Leaf: &leaf, Findings: []trust.ServiceFinding{{Code: "critical-unknown"}}}), nil, exitUnknown,
			"its certificates cannot be judged, and other programs may take them"},
		{"an address without a way to it", ends(trust.Endpoint{Answer: trust.Silent, Findings: []trust.ServiceFinding{{Code: "address-no-route"}}}, trust.Endpoint{Answer: trust.Verifies, Leaf: &leaf}), nil, exitRight, ""},
		{"a file for root alone", nil, []dependent.Unread{{Reason: dependent.Forbidden}}, exitUnknown, ""},
		{"a name of nothing", nil, []dependent.Unread{{Reason: dependent.Missing}}, exitRight, ""},
	} {
		d := dependentsOf(h.cert, h.in, c.verdicts, dependent.Answer{Unread: c.unread})
		if d.code() != c.code || (c.why != "") != (len(d.unasked) == 1) || c.why != "" && d.unasked[0].why != c.why {
			t.Errorf("%s: exit %d, %+v", c.name, d.code(), d.unasked)
		}
		var v verdict
		if err := d.end(); (err != nil) != (c.code != 0) || err != nil && (!errors.As(err, &v) || v.code != c.code) {
			t.Errorf("%s ends with %v", c.name, err)
		}
	}
}
