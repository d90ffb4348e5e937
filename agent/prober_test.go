package agent

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/probe"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// harbourWeb is a prober for tests: what each address serves is written down.
type harbourWeb struct {
	r         *rig
	serves    map[string]served
	listeners []string
	blind     []string
	fail      error

	asked  [][]string // addresses, question by question
	listed int
	onAsk  func() // before each question is answered
}

// served is what one address does.
type served struct {
	answer  trust.Answer
	anchors []root.Fingerprint
	code    string            // of a finding
	remotes map[string]served // for a name with several addresses; instead of the rest
}

func under(as ...trusttest.Authority) served {
	s := served{answer: trust.Verifies}
	for _, a := range as {
		s.anchors = append(s.anchors, root.Of(a.Cert.Raw))
	}
	return s
}

func (w *harbourWeb) Probe(_ context.Context, targets []trust.Target, in, more []trust.Root) ([]trust.Verdict, error) {
	if w.onAsk != nil {
		w.onAsk()
	}
	w.asked = append(w.asked, addresses(targets))
	if w.fail != nil {
		return nil, w.fail
	}
	var known []root.Fingerprint
	for _, r := range slices.Concat(in, more) {
		known = append(known, r.Fingerprint)
	}
	var verdicts []trust.Verdict
	for _, t := range targets {
		s, ok := w.serves[t.Address]
		if !ok {
			s = served{answer: trust.Silent}
		}
		v := trust.Verdict{Target: t, At: w.r.now, Answer: s.answer}
		ends := s.remotes
		if ends == nil {
			ends = map[string]served{"192.0.2.7:443": s}
			if t.Listener {
				ends = map[string]served{t.Address: s}
			}
		}
		for remote, e := range ends {
			end := trust.Endpoint{Remote: remote, Answer: e.answer}
			if e.answer == trust.Verifies || e.answer == trust.Fails {
				end.Leaf = &trust.ServedCertificate{SHA256: root.Of([]byte(t.Address)), NotAfter: clock.AddDate(1, 0, 0)}
				for _, a := range e.anchors {
					if slices.Contains(known, a) {
						end.Anchors = append(end.Anchors, a)
					}
				}
			} else {
				end.Findings = []trust.ServiceFinding{{Code: "silent", Severity: root.Refuse, What: "connection refused"}}
				v.Answer = e.answer
			}
			if e.code != "" {
				end.Findings = append(end.Findings, trust.ServiceFinding{Code: e.code, Severity: root.Note, What: e.code})
			}
			v.Endpoints = append(v.Endpoints, end)
		}
		verdicts = append(verdicts, v)
	}
	return verdicts, nil
}

func (w *harbourWeb) Listeners(context.Context) ([]trust.Target, []string) {
	w.listed++
	var all []trust.Target
	for _, a := range w.listeners {
		all = append(all, trust.Target{Address: a, Listener: true})
	}
	return all, w.blind
}

// probing gives the rig's host services to ask, watched by its policy.
func (r *rig) probing(watched ...string) *harbourWeb {
	r.web = &harbourWeb{r: r, serves: map[string]served{}}
	for _, name := range watched {
		r.doc.Services = append(r.doc.Services, policy.Service{Name: name, Address: at443(name)})
	}
	return r.web
}

func at443(name string) string { return name + ".harbour.test:443" }

// Nobody is asked where nothing goes out, nor where no answer could hold it.
func TestNobodyIsAskedInVain(t *testing.T) {
	old, heir := trusttest.NewAuthority(t, "Harbour Root 2016"), trusttest.NewAuthority(t, "Harbour Root 2026")
	past := clock.AddDate(0, 0, -1)
	for name, c := range map[string]struct {
		step  policy.Step
		force string
		late  time.Duration
		asked bool
	}{
		"trusted":             {step: only(policy.Trusted)},
		"retired":             {step: only(policy.Retired), asked: true},
		"the deadline passed": {step: policy.Step{Standing: policy.Retired, Deadline: &past}},
		"forced":              {step: only(policy.Retired), force: "a reason"},
		"the policy expired":  {step: only(policy.Retired), late: 400 * 24 * time.Hour},
	} {
		r := newRig(t)
		r.store.Local[root.Of(old.Cert.Raw)] = old.Cert.Raw
		r.store.Local[root.Of(heir.Cert.Raw)] = heir.Cert.Raw
		r.root(old, c.step)
		r.root(heir, only(policy.Trusted))
		w := r.probing("crane")
		w.serves[at443("crane")] = under(old)
		file := r.signed()
		if c.late > 0 {
			r.believe(file).Keep(r.state)
			r.now = r.now.Add(c.late)
		}
		var before int
		w.onAsk = func() { before += r.store.Applied }
		_, res := r.enforce(file, c.force)
		asked := len(w.asked) > 0 && before == 0 // what is asked after a change only tells
		if asked != c.asked || c.asked != (w.listed > 0) && c.step.Deadline == nil && c.force == "" {
			t.Errorf("%s: asked %v, listed %d", name, w.asked, w.listed)
		}
		if c.late > 0 && (len(res.Changes) > 0 || len(res.Held) == 0 || !r.holds(old)) {
			t.Errorf("%s: %+v", name, res.Changes)
		}
	}
	// A root that is expired, or that no reader reads, goes without a question.
	r := newRig(t)
	r.root(old, only(policy.Retired))
	w := r.probing("crane")
	if r.enforce(r.signed(), ""); len(w.asked)+w.listed > 0 {
		t.Errorf("the root is not there: asked %v", w.asked)
	}
}

func TestAWithdrawWaitsForItsServices(t *testing.T) {
	r := newRig(t)
	old, heir := trusttest.NewAuthority(t, "Harbour Root 2016"), trusttest.NewAuthority(t, "Harbour Root 2026")
	w := r.probing("crane", "tide")
	w.listeners = []string{"127.0.0.1:8443", "127.0.0.1:22"}
	w.serves["127.0.0.1:22"] = served{answer: trust.NotTLS}
	w.serves["127.0.0.1:8443"], w.serves[at443("crane")], w.serves[at443("tide")] = under(old), under(old), under(heir)
	fp := root.Of(old.Cert.Raw)
	r.root(old, only(policy.Trusted))
	r.root(heir, only(policy.Trusted)).Succeeds = &fp
	r.enforce(r.signed(), "")

	r.next()
	r.root(old, only(policy.Retired))
	r.root(heir, only(policy.Trusted)).Succeeds = &fp
	file := r.signed()
	_, res := r.enforce(file, "")
	if len(res.Held) != 1 || len(res.Changes) != 0 || !r.holds(old) || res.Right() {
		t.Fatalf("not held: %s", brief(res))
	}
	h := res.Held[0]
	if len(h.Services) != 2 || h.Services[0].Address != at443("crane") || !h.Services[1].Listener || h.Services[1].Address != "127.0.0.1:8443" {
		t.Errorf("held for %+v", h.Services)
	}
	says(t, h.Reason, "crane (crane.harbour.test:443)", "the listener at 127.0.0.1:8443", "ends at Harbour Root 2016 alone")
	says(t, h.Next, "renew the certificate under Harbour Root 2026", "--force")
	if next := res.Rows[0].Next; len(next) != 1 || next[0] != h.Next {
		t.Errorf("the row of a held step says %q", next)
	}

	// The crane is renewed; the listener is not, and only what speaks TLS is
	// asked again.
	w.asked = nil
	w.serves[at443("crane")] = under(heir)
	if _, res = r.enforce(file, ""); len(res.Held) != 1 || len(res.Held[0].Services) != 1 || len(w.asked) != 1 || slices.Contains(w.asked[0], "127.0.0.1:22") {
		t.Fatalf("asked %v, held %+v", w.asked, res.Held)
	}
	// Both moved: the hold ends by itself.
	w.serves["127.0.0.1:8443"] = under(heir)
	if _, res = r.enforce(file, ""); r.holds(old) || !res.Right() || len(res.Held) != 0 || len(res.Changes) != 1 || res.Changes[0].Err != nil {
		t.Fatalf("still there: %s", brief(res))
	}
	w.asked = nil
	if r.enforce(file, ""); len(w.asked) != 0 {
		t.Errorf("with nothing to do somebody was asked: %v", w.asked)
	}
}

func TestWhatIsUnknownHolds(t *testing.T) {
	old := trusttest.NewAuthority(t, "Harbour Root 2016")
	for name, c := range map[string]struct {
		set  func(*harbourWeb, *rig)
		says string
		goes bool
	}{
		"nobody can be asked":              {func(w *harbourWeb, r *rig) { w.fail = errors.New("no account") }, "no account", false},
		"a watched service is silent":      {func(w *harbourWeb, r *rig) { delete(w.serves, at443("crane")) }, "it does not answer: connection refused", false},
		"one address of several is silent": {func(w *harbourWeb, r *rig) { w.serves[at443("crane")] = twoAddresses(served{answer: trust.Silent}) }, "does not answer", false},
		"one address of several needs it":  {func(w *harbourWeb, r *rig) { w.serves[at443("crane")] = twoAddresses(under(old)) }, "crane", false},
		"a listener is silent":             {func(w *harbourWeb, r *rig) { w.listeners = []string{"127.0.0.1:53"} }, "127.0.0.1:53", false},
		"a listener shows no certificate": {func(w *harbourWeb, r *rig) {
			w.listen("127.0.0.1:53", served{remotes: map[string]served{"127.0.0.1:53": {answer: "odd"}}})
		}, "127.0.0.1:53", false},
		"a silent listener is excepted": {func(w *harbourWeb, r *rig) { w.listeners, r.except = []string{"127.0.0.1:53"}, []string{":53"} }, "", true},
		"a listener speaks no TLS":      {func(w *harbourWeb, r *rig) { w.listen("127.0.0.1:53", served{answer: trust.NotTLS}) }, "", true},
		"listeners cannot be listed":    {func(w *harbourWeb, r *rig) { w.blind = []string{trust.NotListed + ": no such system"} }, "", true},
		"listeners cannot be listed, none watched": {func(w *harbourWeb, r *rig) {
			w.blind, r.doc.Services = []string{trust.NotListed + ": no such system"}, nil
		}, trust.NotListed, false},
		"none watched, none listens":            {func(w *harbourWeb, r *rig) { r.doc.Services = nil }, "", true},
		"none watched, listeners are not asked": {func(w *harbourWeb, r *rig) { r.doc.Services, r.blind = nil, true }, "unknown means hold", false},
		"watched, listeners are not asked":      {func(w *harbourWeb, r *rig) { r.blind, w.listeners = true, []string{"127.0.0.1:53"} }, "", true},
		"a container is not looked into":        {func(w *harbourWeb, r *rig) { w.blind = []string{"2 other network namespaces"} }, "", true},
		"it answers without TLS":                {func(w *harbourWeb, r *rig) { w.serves[at443("crane")] = served{answer: trust.NotTLS} }, "", true},
		"it does not verify now":                {func(w *harbourWeb, r *rig) { w.serves[at443("crane")] = served{answer: trust.Fails} }, "", true},
		"one address of several has no way to it": {func(w *harbourWeb, r *rig) {
			w.serves[at443("crane")] = twoAddresses(served{answer: trust.Silent, code: codeNoRoute})
		}, "", true},
		"no address has a way to it": {func(w *harbourWeb, r *rig) {
			w.serves[at443("crane")] = served{answer: trust.Silent, code: codeNoRoute}
		}, "crane", false},
		"a certificate that Go does not read": {func(w *harbourWeb, r *rig) {
			w.serves[at443("crane")] = served{answer: trust.Fails, code: "unparsable"}
		}, "cannot be judged", false},
		"its name is wrong, its chain is not": {func(w *harbourWeb, r *rig) {
			w.serves[at443("crane")] = served{answer: trust.Fails, anchors: under(old).anchors}
		}, "crane", false},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t)
			r.store.Local[root.Of(old.Cert.Raw)] = old.Cert.Raw
			w := r.probing("crane")
			w.serves[at443("crane")] = vendors(r)
			r.root(old, only(policy.Retired))
			c.set(w, r)
			_, res := r.enforce(r.signed(), "")
			if gone := !r.holds(old); gone != c.goes || gone == (len(res.Held) > 0) {
				t.Fatalf("gone %v, held %+v", gone, res.Held)
			}
			if !c.goes {
				says(t, res.Held[0].Reason, c.says)
				if res.Held[0].Next == "" || !res.Held[0].Asks {
					t.Errorf("%+v", res.Held[0])
				}
			}
		})
	}
}

func (w *harbourWeb) listen(at string, s served) {
	w.listeners = append(w.listeners, at)
	w.serves[at] = s
}

// vendors is a service that a package's root carries.
func vendors(r *rig) served {
	s := served{answer: trust.Verifies}
	for fp := range r.store.Vendor {
		s.anchors = append(s.anchors, fp)
	}
	return s
}

func twoAddresses(second served) served {
	return served{answer: trust.Verifies, remotes: map[string]served{"192.0.2.7:443": {answer: trust.Fails}, "192.0.2.8:443": second}}
}

var errSilent = errors.New("no account to ask with")

// preview looks as the command does, and must change nothing.
func (r *rig) preview(offered []byte) Result {
	r.t.Helper()
	b := r.believe(offered)
	files := maps.Clone(r.state)
	a := &Agent{Stores: []trust.Store{r.store}, Ledger: r.ledger(), Prover: r.prover, Log: slog.New(slog.DiscardHandler),
		Probing: r.web, State: r.state, Listeners: Listeners{Look: !r.blind, Except: r.except}}
	res := a.Preview(r.t.Context(), Order{Policy: b.Policy, Host: r.host, Only: r.only, Now: r.now})
	if !maps.EqualFunc(files, r.state, bytes.Equal) {
		r.t.Error("a preview wrote")
	}
	return res
}

// brief says what a run did, for a test that fails.
func brief(r Result) string {
	var b strings.Builder
	for _, row := range r.Rows {
		fmt.Fprintf(&b, "\n%s: %s, right %v, gone %+v, %q", row.Want.Label, row.State, row.Right, row.Gone, row.Reasons)
	}
	for _, h := range r.Held {
		fmt.Fprintf(&b, "\nheld %s: %s", h.Change, h.Reason)
	}
	for _, c := range r.Changes {
		fmt.Fprintf(&b, "\nchanged %s: %v %q (%s)", c.Change, c.Err, c.Notes, c.Change.Why)
	}
	return b.String()
}

func TestAServiceOfThisHostIsToldOnce(t *testing.T) {
	crane := Known{Target: trust.Target{Service: "crane", Address: at443("crane")}, Remote: "127.0.0.1:443"}
	same := Known{Target: trust.Target{Address: "127.0.0.1:443", Listener: true}, Remote: "127.0.0.1:443"}
	other := Known{Target: trust.Target{Address: "127.0.0.1:8443", Listener: true}, Remote: "127.0.0.1:8443"}
	if got := services([]Known{same, crane, other}); len(got) != 2 || got[0].Service != "crane" || got[1].Address != "127.0.0.1:8443" {
		t.Errorf("told as %v", got)
	}
}

// The codes that decide here are those that a probe gives.
func TestCodesOfAProbe(t *testing.T) {
	for _, code := range append([]string{codeNoRoute}, beyondGo...) {
		if !slices.Contains(probe.Codes(), code) {
			t.Errorf("no probe says %s", code)
		}
	}
	for code, stop := range map[string]probe.Stop{codeNoRoute: probe.NoRoute, "handshake-too-large": probe.Flooded} {
		v := probe.Judge(probe.Gathered{Ends: []probe.End{{Stop: stop}}}, nil, nil, clock)
		if len(v.Endpoints) != 1 || !finds(v.Endpoints[0].Findings, code) {
			t.Errorf("%s: %+v", code, v.Endpoints)
		}
	}
	chain := slices.Repeat([][]byte{trusttest.NewAuthority(t, "Harbour").Cert.Raw}, probe.MaxSent+1)
	for code, sent := range map[string][][]byte{"chain-too-long": chain, "issuer-unparsable": {chain[0], []byte("none")}} {
		v := probe.Judge(probe.Gathered{Ends: []probe.End{{Chain: sent}}}, nil, nil, clock)
		if e := v.Endpoints[0]; !finds(e.Findings, code) || !Unjudged(e) {
			t.Errorf("%s: %+v", code, e.Findings)
		}
	}
}
