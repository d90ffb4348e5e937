package agent

import (
	"context"
	"fmt"
	"slices"
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// askLimit bounds one round of questions, however many services there are.
const askLimit = 5 * time.Minute

// Evidence is what is known of the services that a root could carry. The zero
// value knows nothing.
type Evidence struct {
	Asked     bool      // somebody was asked, in this run or before
	At        time.Time // when
	Endpoints []Known
	Watched   int      // services of the policy among them
	Looked    bool     // this host's listeners were listed
	Blind     []string // what could not be looked at
	Unable    string   // why nobody could be asked

	Verdicts []trust.Verdict // of this run
}

// Known is one address of a service, as far as it is known.
type Known struct {
	Target  trust.Target
	Remote  string
	At      time.Time          // when it told
	Before  bool               // it does not answer now: that is the last it told
	Anchors []root.Fingerprint // see trust.Replaces
	Doubted []root.Fingerprint // the same
	Unknown string             // why nothing is known of it
}

// Dependent is a service that a step breaks, or might.
type Dependent struct {
	Service  string    `json:"service,omitempty"`
	Address  string    `json:"address"`
	Remote   string    `json:"remote,omitempty"`
	Listener bool      `json:"listener,omitempty"`
	At       time.Time `json:"at,omitzero"`       // when it told by which roots it verifies
	Unknown  string    `json:"unknown,omitempty"` // why that is not known
}

// replaces reports whether one root carries the service for each program for
// which the other does.
func (k Known) replaces(a, fp root.Fingerprint) bool {
	return trust.Replaces(a, fp, k.Anchors, k.Doubted)
}

func (k Known) dependent() Dependent {
	return Dependent{Service: root.Safe(k.Target.Service, maxName), Address: k.Target.Address, Remote: k.Remote, Listener: k.Target.Listener, At: k.At, Unknown: k.Unknown}
}

// maxName bounds a service's name on a screen, in characters.
const maxName = 100

// String names the service for people: the address says where to go.
func (d Dependent) String() string {
	switch {
	case d.Listener:
		return "the listener at " + d.Address
	case d.Service == "" || d.Service == d.Address:
		return d.Address
	}
	return d.Service + " (" + d.Address + ")"
}

// known takes a verdict apart, and falls back on the last good one where an
// address is silent.
func (m Remembered) known(v trust.Verdict, now time.Time) []Known {
	before := m.of(v.Target)
	if v.Answer == trust.NotTLS && len(before) == 0 {
		return nil // it verifies nothing
	}
	var all []Known
	for _, e := range v.Endpoints {
		k := Known{Target: v.Target, Remote: e.Remote, At: v.At.UTC().Truncate(time.Second), Anchors: e.Anchors, Doubted: e.Doubted}
		mine := slices.DeleteFunc(slices.Clone(before), func(b Endpoint) bool { return b.Remote != e.Remote })
		switch recent := slices.ContainsFunc(mine, func(b Endpoint) bool { return counts(b.At, now) }); {
		case Aside(v, e) && !recent:
			// no program of this host gets there
		case Unjudged(e):
			k.Unknown = "its certificates cannot be judged, and other programs may take them"
			all = append(all, k)
		case e.Leaf != nil && !(recent && lapsed(e)):
			all = append(all, k)
		case e.Answer == trust.NotTLS && v.Target.Listener && !recent:
		default:
			all = append(all, last(k, mine, now, silence(e.Answer, e.Findings))...)
		}
	}
	if len(v.Endpoints) == 0 { // its name does not lead anywhere
		all = last(Known{Target: v.Target}, before, now, silence(v.Answer, v.Findings))
	}
	return all
}

// Codes of findings that decide here: an address that this host has no way to,
// and chains that crypto/x509 does not judge to their end. Other programs may
// well verify such a chain, so nothing is known of it.
const codeNoRoute = "address-no-route"

var beyondGo = []string{"unparsable", "issuer-unparsable", "chain-too-long", "handshake-too-large", "critical-unknown",
	"signature-weak", "name-constrained", "path-length", "issuer-purpose", "chain-refused"}

// byDate are faults that a renewal mends, or the right time: who verified an
// hour ago may well do so again, by the root of then.
var byDate = []string{"expired", "not-yet-valid", "issuer-expired", "issuer-not-yet-valid", "root-expired", "root-not-yet-valid"}

// lapsed reports an endpoint that no root carries for the sake of dates.
func lapsed(e trust.Endpoint) bool {
	return e.Leaf != nil && len(e.Anchors) == 0 && finds(e.Findings, byDate...)
}

// Aside reports an endpoint at an address that this host has no way to, while it
// has one to another address of the service.
func Aside(v trust.Verdict, e trust.Endpoint) bool {
	return finds(e.Findings, codeNoRoute) && !everyEnd(v, codeNoRoute)
}

// Unjudged reports an endpoint of whose chain it is not known which roots carry
// it.
func Unjudged(e trust.Endpoint) bool {
	return e.Leaf != nil && len(e.Anchors) == 0 && finds(e.Findings, beyondGo...)
}

func finds(findings []trust.ServiceFinding, codes ...string) bool {
	return slices.ContainsFunc(findings, func(f trust.ServiceFinding) bool { return slices.Contains(codes, f.Code) })
}

func everyEnd(v trust.Verdict, code string) bool {
	return !slices.ContainsFunc(v.Endpoints, func(e trust.Endpoint) bool { return !finds(e.Findings, code) })
}

// last is what a silent address told before, if that still counts.
func last(k Known, before []Endpoint, now time.Time, why string) []Known {
	var all []Known
	var since time.Time
	for _, b := range before {
		if b.At.After(since) {
			since = b.At
		}
		if counts(b.At, now) {
			all = append(all, Known{Target: k.Target, Remote: b.Remote, At: b.At, Before: true, Anchors: b.Anchors, Doubted: b.Doubted})
		}
	}
	if len(all) > 0 {
		return all
	}
	k.Anchors, k.Doubted, k.At, k.Unknown = nil, nil, time.Time{}, why
	if !since.IsZero() {
		k.Unknown += ", and told nothing since " + since.Format("2006-01-02")
	}
	return []Known{k}
}

// silence says in words why an address told nothing of its chain.
func silence(a trust.Answer, findings []trust.ServiceFinding) string {
	said := "it does not answer"
	switch a {
	case trust.NotTLS:
		said = "it answers without TLS"
	case trust.Fails, trust.Verifies:
		said = "it shows no certificate"
	}
	for _, f := range findings {
		if f.Severity == root.Refuse || f.Severity == root.Warn {
			return said + ": " + f.What
		}
	}
	return said
}

// ask asks the services that the roots of the steps could carry. Nobody is
// asked where no step takes a root out.
func (a *Agent) ask(ctx context.Context, o Order, r Result, steps []Step) Evidence {
	roots := leavers(steps)
	if a.Probing == nil || len(roots) == 0 {
		return Evidence{}
	}
	ctx, cancel := context.WithTimeout(ctx, askLimit)
	defer cancel()
	before := a.remembered()
	watched := Watched(o.Policy, o.Host)
	ev := Evidence{Watched: len(watched), At: o.now()}
	if before.Lost != "" {
		ev.Blind = append(ev.Blind, before.Lost)
	}
	targets := slices.Concat(watched, a.Own, a.listeners(ctx, &ev, before, roots, o.now()))
	ev.Asked = true
	if len(targets) == 0 {
		return ev
	}
	in, more := r.judges(o.Policy, steps)
	var err error
	ev.Verdicts, err = a.Probing.Probe(ctx, targets, in, more)
	if err == nil && len(ev.Verdicts) != len(targets) {
		err = fmt.Errorf("%d verdicts on %d services", len(ev.Verdicts), len(targets))
	}
	if err != nil {
		ev.Verdicts, ev.Unable = nil, err.Error()
		return ev
	}
	for _, v := range ev.Verdicts {
		ev.Endpoints = append(ev.Endpoints, before.known(v, o.now())...)
	}
	return ev
}

// listeners lists this host's own services that are to be asked.
func (a *Agent) listeners(ctx context.Context, ev *Evidence, before Remembered, roots []root.Fingerprint, now time.Time) []trust.Target {
	if !a.Listeners.Look {
		ev.Blind = append(ev.Blind, "this host's listeners are not asked: its settings say so")
		return nil
	}
	all, blind := a.Probing.Listeners(ctx)
	ev.Blind = append(ev.Blind, blind...)
	ev.Looked = !slices.ContainsFunc(blind, notListed)
	return slices.DeleteFunc(a.Listeners.Asked(all), func(t trust.Target) bool { return before.plain(t, roots, now) })
}

// leavers are the roots that steps take out, each once.
func leavers(steps []Step) []root.Fingerprint {
	var roots []root.Fingerprint
	for _, s := range steps {
		if s.Change.Leaves() && !slices.Contains(roots, s.Change.Root.Fingerprint) {
			roots = append(roots, s.Change.Root.Fingerprint)
		}
	}
	return roots
}

// judges returns the roots by which services are judged: those that the
// machine's store holds, and those that it does not hold and that may be
// anchors: the policy's, those of other stores, and those just taken out.
func (r Result) judges(p policy.Verified, steps []Step) (in, more []trust.Root) {
	seen := map[root.Fingerprint]bool{}
	add := func(to *[]trust.Root, fp root.Fingerprint, der []byte) {
		if len(der) > 0 && !seen[fp] {
			seen[fp] = true
			*to = append(*to, trust.Root{Fingerprint: fp, DER: der})
		}
	}
	for _, v := range r.Stores {
		to := &more
		if v.Store == trust.Machine {
			to = &in
		}
		for _, part := range compiled(v.Snapshot, false) {
			for fp := range part {
				add(to, fp, v.Snapshot.Entries[fp].DER)
			}
		}
	}
	for _, pr := range p.Document().Roots {
		add(&more, pr.SHA256, pr.DER)
	}
	for _, s := range steps {
		add(&more, s.Change.Root.Fingerprint, s.Change.Root.DER)
	}
	inOrder(in)
	inOrder(more)
	return in, more
}

func inOrder(roots []trust.Root) {
	slices.SortFunc(roots, func(a, b trust.Root) int { return slices.Compare(a.Fingerprint[:], b.Fingerprint[:]) })
}

func (a *Agent) remembered() Remembered {
	if a.State == nil {
		return Remembered{}
	}
	return ReadVerdicts(a.State)
}
