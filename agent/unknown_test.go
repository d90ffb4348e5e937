package agent

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// The last verdict counts for seven days where a service is silent, and not if
// it comes from a time to come.
func TestTheLastVerdictCounts(t *testing.T) {
	old, heir := trusttest.NewAuthority(t, "Harbour Root 2016"), trusttest.NewAuthority(t, "Harbour Root 2026")
	other := trusttest.NewAuthority(t, "Harbour Root 2018")
	for name, c := range map[string]struct {
		told  served
		later time.Duration
		spoil func(folder)
		goes  bool
		says  string
	}{
		"moved, six days ago":           {told: under(heir), later: 6 * 24 * time.Hour, goes: true},
		"moved, seven days ago":         {told: under(heir), later: MaxVerdictAge, goes: true},
		"moved, eight days ago":         {told: under(heir), later: 8 * 24 * time.Hour, says: "told nothing since 2026-11-25"},
		"not moved, six days ago":       {told: under(old), later: 6 * 24 * time.Hour, says: "that is what it told on 2026-11-25"},
		"moved, a clock that was ahead": {told: under(heir), later: -11 * time.Minute, says: "told nothing since"},
		"moved, a clock a little ahead": {told: under(heir), later: -9 * time.Minute, goes: true},
		"it verified by nothing":        {told: served{answer: trust.Fails}, later: time.Hour, says: "it does not answer"},
		"it never answered":             {told: served{answer: trust.Silent}, later: time.Hour, says: "it does not answer"},
		"the memory is damaged":         {told: under(heir), later: time.Hour, spoil: func(f folder) { f[VerdictsFile] = f[VerdictsFile][:40] }, says: "it does not answer"},
		"the memory is of a later form": {told: under(heir), later: time.Hour, spoil: func(f folder) {
			f[VerdictsFile] = bytes.Replace(f[VerdictsFile], []byte(`"schema": 1`), []byte(`"schema": 2`), 1)
		}, says: "it does not answer"},
		"the memory was written by hand": {told: under(heir), later: time.Hour, spoil: func(f folder) { f[VerdictsFile] = append(f[VerdictsFile], ' ') }, says: "it does not answer"},
		"the memory is gone":             {told: under(heir), later: time.Hour, spoil: func(f folder) { delete(f, VerdictsFile) }, says: "it does not answer"},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t)
			for _, a := range []trusttest.Authority{old, heir, other} {
				r.store.Local[root.Of(a.Cert.Raw)] = a.Cert.Raw
			}
			w := r.probing("crane", "tide")
			w.serves[at443("crane")], w.serves[at443("tide")] = c.told, under(other)
			r.doc.Services[0].Address, r.doc.Services[1].Address = at443("crane"), at443("tide")
			r.root(other, only(policy.Retired)) // held by the tide, so that all are asked
			r.root(heir, only(policy.Trusted))
			r.doc.Issued = clock.AddDate(0, 0, -2)
			if _, res := r.enforce(r.signed(), ""); len(res.Held) != 1 {
				t.Fatalf("%+v", res.Held)
			}
			if c.spoil != nil {
				c.spoil(r.state)
			}
			r.now = r.now.Add(c.later)
			r.doc.Version++
			r.root(old, only(policy.Retired))
			w.serves[at443("crane")] = served{answer: trust.Silent}
			b, res := r.enforce(r.signed(), "")
			if b.Err != nil || r.holds(old) == c.goes {
				t.Fatalf("gone %v, want %v: %v %+v", !r.holds(old), c.goes, b.Err, res.Held)
			}
			if c.goes {
				return
			}
			for _, h := range res.Held {
				if h.Change.Root.Fingerprint == root.Of(old.Cert.Raw) {
					says(t, h.Reason, "crane", c.says)
				}
			}
			if told := strings.Join(res.Evidence.Blind, " "); (c.spoil != nil && !strings.Contains(name, "gone")) != strings.Contains(told, VerdictsFile) {
				t.Errorf("not looked at: %q", told)
			}
		})
	}
}

func TestWhatIsRememberedIsBounded(t *testing.T) {
	var m Remembered
	verdict := func(address string, at time.Time, anchors int, answer trust.Answer) trust.Verdict {
		e := trust.Endpoint{Remote: "192.0.2.7:443", Answer: trust.Verifies, Leaf: &trust.ServedCertificate{}}
		for i := range anchors {
			e.Anchors = append(e.Anchors, root.Of([]byte{byte(i), byte(i >> 8)}))
		}
		return trust.Verdict{Target: trust.Target{Address: address, Listener: answer == trust.NotTLS}, At: at, Answer: answer, Endpoints: []trust.Endpoint{e}}
	}
	var all []trust.Verdict
	for i := range maxServices + 5 {
		all = append(all, verdict(strings.Repeat("x", i), clock.Add(-time.Duration(i)*time.Second), 1, trust.Verifies),
			verdict(strings.Repeat("x", i), clock.Add(-time.Duration(i)*time.Second), 1, trust.NotTLS))
	}
	m = m.learn(all, []root.Fingerprint{fpA}, clock)
	if len(m.Services) != maxServices || len(m.Plain) != maxServices || m.Services[0].At().Before(m.Services[maxServices-1].At()) {
		t.Fatalf("%d services, %d plain", len(m.Services), len(m.Plain))
	}
	m = Remembered{}.learn([]trust.Verdict{verdict("a:1", clock, maxAnchors+5, trust.Verifies), verdict("b:1", clock, 1, trust.NotTLS)}, []root.Fingerprint{fpA}, clock)
	if len(m.Services[0].Endpoints[0].Anchors) != maxAnchors {
		t.Errorf("%d anchors", len(m.Services[0].Endpoints[0].Anchors))
	}
	at := func(address string) trust.Target { return trust.Target{Address: address, Listener: true} }
	if !m.plain(at("b:1"), []root.Fingerprint{fpA}, clock) || m.plain(at("b:1"), []root.Fingerprint{fpA, fpB}, clock) ||
		m.plain(at("b:1"), []root.Fingerprint{fpA}, clock.Add(MaxVerdictAge+1)) || m.plain(trust.Target{Address: "b:1"}, []root.Fingerprint{fpA}, clock) {
		t.Error("a plain listener is known for the change that it was asked for, and not for ever")
	}
	// It is kept as it is, and read as it was kept.
	f := folder{}
	if err := m.Keep(f); err != nil {
		t.Fatal(err)
	}
	if again := ReadVerdicts(f); again.Lost != "" || len(again.Services) != 1 || len(again.Plain) != 1 {
		t.Errorf("%+v", again)
	}
	// What shows a chain that nothing carries takes back what it told before.
	m = m.learn([]trust.Verdict{verdict("a:1", clock, 0, trust.Fails)}, nil, clock)
	if len(m.Services) != 0 {
		t.Errorf("%+v", m.Services)
	}
}

// At is when the service told something last.
func (s Service) At() time.Time { return s.Endpoints[0].At }
