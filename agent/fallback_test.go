package agent

import (
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// What a service told an hour ago counts where it tells nothing of its chain
// now, however it keeps silent; and what crypto/x509 refuses for a reason that
// other programs do not heed is not known.
func TestWhatWasToldBeforeCounts(t *testing.T) {
	old := root.Of([]byte("the old root"))
	leaf := &trust.ServedCertificate{}
	end := func(answer trust.Answer, codes ...string) trust.Endpoint {
		e := trust.Endpoint{Remote: "192.0.2.7:443", Answer: answer}
		for _, c := range codes {
			e.Findings = append(e.Findings, trust.ServiceFinding{Code: c, Severity: root.Refuse, What: c})
		}
		return e
	}
	shows := func(e trust.Endpoint) trust.Endpoint { e.Leaf = leaf; return e }
	other := trust.Endpoint{Remote: "192.0.2.8:443", Answer: trust.Verifies, Leaf: leaf, Anchors: []root.Fingerprint{root.Of([]byte("another"))}}
	named := trust.Target{Service: "crane", Address: "crane.harbour.test:443"}
	port := trust.Target{Address: "192.0.2.7:443", Listener: true}
	for name, c := range map[string]struct {
		target trust.Target
		ends   []trust.Endpoint
		age    time.Duration // of what was told before; 0: nothing was
		before bool          // that counts
		known  int
		doubt  bool
	}{
		"a listener hangs up":                   {target: port, ends: []trust.Endpoint{end(trust.NotTLS, "not-tls")}, age: time.Hour, before: true, known: 1},
		"a listener that never spoke TLS":       {target: port, ends: []trust.Endpoint{end(trust.NotTLS, "not-tls")}},
		"a listener that spoke TLS long ago":    {target: port, ends: []trust.Endpoint{end(trust.NotTLS, "not-tls")}, age: 8 * 24 * time.Hour},
		"a certificate ran out":                 {target: named, ends: []trust.Endpoint{shows(end(trust.Fails, "expired"))}, age: time.Hour, before: true, known: 1},
		"... and did long ago":                  {target: named, ends: []trust.Endpoint{shows(end(trust.Fails, "expired"))}, age: 8 * 24 * time.Hour, known: 1},
		"a weak signature":                      {target: named, ends: []trust.Endpoint{shows(end(trust.Fails, "signature-weak"))}, known: 1, doubt: true},
		"no route to one address, told before":  {target: named, ends: []trust.Endpoint{end(trust.Silent, codeNoRoute), other}, age: time.Hour, before: true, known: 2},
		"no route to one address, never before": {target: named, ends: []trust.Endpoint{end(trust.Silent, codeNoRoute), other}, known: 1},
	} {
		var m Remembered
		if c.age > 0 {
			m.Services = []Service{{c.target, []Endpoint{{Remote: "192.0.2.7:443", At: clock.Add(-c.age), Anchors: []root.Fingerprint{old}}}}}
		}
		v := trust.Verdict{Target: c.target, At: clock, Answer: c.ends[0].Answer, Endpoints: c.ends}
		got := m.known(v, clock)
		if len(got) != c.known {
			t.Errorf("%s: %+v", name, got)
			continue
		}
		if c.known == 0 {
			continue
		}
		if k := got[0]; k.Before != c.before || c.before && (len(k.Anchors) != 1 || k.Anchors[0] != old) || (k.Unknown != "") != c.doubt {
			t.Errorf("%s: %+v", name, k)
		}
		if kept := m.learn([]trust.Verdict{v}, nil, clock).of(c.target); c.before && (len(kept) == 0 || kept[len(kept)-1].Anchors[0] != old) {
			t.Errorf("%s: forgotten: %+v", name, kept)
		}
	}
}
