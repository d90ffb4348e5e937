package main

import (
	"crypto/tls"
	"errors"
	"slices"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/agent"
)

// bare speaks TLS and shows no certificate: nobody learns by which root it
// verifies.
func (p *pier) bare(at string) {
	p.t.Helper()
	answers(p.t, at, &tls.Config{GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
		return nil, errors.New("not today")
	}})
}

// holders are the addresses for which the one withdraw waits, with a mark where
// it is not known what they serve.
func (r jsonResult) holders(t *testing.T) []string {
	t.Helper()
	if len(r.Held) != 1 {
		t.Fatalf("held: %+v", r.Held)
	}
	var all []string
	for _, d := range r.Held[0].Services {
		if !d.Listener {
			t.Errorf("%+v is no listener", d)
		}
		all = append(all, strings.TrimSpace(d.Address+" "+map[bool]string{true: "?"}[d.Unknown != ""]))
	}
	slices.Sort(all)
	return all
}

// TestListenersHoldAWithdraw retires a root on which a server of this host
// depends that no policy names. It stays until the server has moved, and while
// a listener does not say what it serves, unless that one is excepted. One that
// speaks something else holds nothing.
func TestListenersHoldAWithdraw(t *testing.T) {
	if !onNetwork(t) {
		return
	}
	o := newOffice(t)
	oldRoot, oldEntry := o.authority("Harbour Root 2016")
	newRoot, newEntry := o.authority("Harbour Root 2026")
	o.sign(oldEntry, newEntry)
	result(t, 0, "enforce")
	p := newPier(t, oldRoot, newRoot)
	p.serve("/etc/harbour/tide.pem", p.issuing, p.issuing)
	p.serve("/etc/harbour/quay.pem", p.new)
	stop := p.nginx()
	p.plain("127.0.0.1:7448")
	p.bare("127.0.0.1:7449")

	o.sign(oldEntry.as("retired"), newEntry)
	if got := result(t, exitWrong, "enforce").holders(t); !slices.Equal(got, []string{"127.0.0.1:7443", "127.0.0.1:7449 ?"}) {
		t.Errorf("it waits for %q", got)
	}
	known(t, oldEntry.sha, oldEntry.file, true)

	p.serve("/etc/harbour/tide.pem", p.new)
	stop()
	p.nginx()
	if got := result(t, exitWrong, "enforce").holders(t); !slices.Equal(got, []string{"127.0.0.1:7449 ?"}) {
		t.Errorf("it waits for %q", got)
	}

	const settings = "/etc/anchorhold/agent.toml"
	text := read(t, settings)
	excepted := strings.Replace(text, "except = []", `except = ["127.0.0.1:7449"]`, 1)
	if excepted == text {
		t.Fatalf("no listener can be excepted in\n%s", text)
	}
	write(t, settings, excepted, 0o644)
	r := result(t, 0, "enforce")
	r.placement(t, oldEntry.sha).expect(t, "absent", true, agent.Owner(""))
	known(t, oldEntry.sha, oldEntry.file, false)
}
