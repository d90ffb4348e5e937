package agent

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

var clock = time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)

// folder is a state folder in memory.
type folder map[string][]byte

func (f folder) Read(name string, _ int64) ([]byte, error) {
	if data, ok := f[name]; ok {
		return data, nil
	}
	return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
}

func (f folder) Write(name string, data []byte, _ fs.FileMode) error {
	f[name] = bytes.Clone(data)
	return nil
}

func (f folder) Append(name string, line []byte, _ fs.FileMode) error {
	f[name] = append(f[name], line...)
	return nil
}

// honest proves what a snapshot would say, by looking at the store itself.
type honest struct {
	store *trusttest.Memory
	deny  map[root.Fingerprint]string // what an account cannot confirm, and why
}

func (h honest) Prove(_ context.Context, claims []trust.Claim) ([]trust.Proof, error) {
	var proofs []trust.Proof
	for _, c := range claims {
		p := trust.Proof{Store: c.Store, Root: c.Root.Fingerprint, Account: "nobody", Holds: true}
		if why := h.deny[c.Root.Fingerprint]; why != "" {
			p.Holds, p.Failures = false, []string{why}
		}
		proofs = append(proofs, p)
	}
	return proofs, nil
}

// rig is one host with a store in memory.
type rig struct {
	t      *testing.T
	state  folder
	store  *trusttest.Memory
	prover honest
	signer policy.Signer
	chain  policy.Chain
	doc    policy.Document
	host   policy.HostFacts
	now    time.Time
	only   []root.Fingerprint
	min    uint64 // of the pin

	web    *harbourWeb // nil: nobody is asked
	blind  bool        // this host's listeners are not looked at
	except []string
	seen   trust.Witness
}

func newRig(t *testing.T) *rig {
	t.Helper()
	signer, err := policy.NewSigner(policy.Ed25519, bytes.NewReader(bytes.Repeat([]byte{7}, 64)))
	if err != nil {
		t.Fatal(err)
	}
	chain, err := policy.NewChain(policy.Keyset{Schema: policy.KeysetSchema, Policy: "harbour", Serial: 1, Threshold: 1,
		Issued: clock, Keys: []policy.Key{signer.Public()}})
	if err != nil {
		t.Fatal(err)
	}
	store := trusttest.NewMemory(t)
	r := &rig{t: t, state: folder{}, store: store, prover: honest{store, map[root.Fingerprint]string{}}, signer: signer, chain: chain, now: clock, min: 1,
		host: policy.HostFacts{ID: "0123456789abcdef0123456789abcdef"},
		doc:  policy.Document{Schema: 1, Name: "harbour", Epoch: 1, Version: 1, Issued: clock, Expires: clock.AddDate(0, 0, 90), Roots: []policy.Root{}}}
	t.Cleanup(func() {
		if _, err := ledger.Open(r.state); err != nil {
			t.Error(err)
		}
	})
	return r
}

// trust adds a root with the given steps to the document, all hosts unless
// said otherwise.
func (r *rig) root(a trusttest.Authority, steps ...policy.Step) *policy.Root {
	for i := range steps {
		if steps[i].Stage == "" {
			steps[i].Stage = policy.AllHosts
		}
	}
	r.doc.Roots = append(r.doc.Roots, policy.Root{SHA256: root.Of(a.Cert.Raw), DER: a.Cert.Raw, Label: a.Cert.Subject.CommonName,
		Standings: steps, Purposes: []string{policy.TLSServer}, Stores: []string{"machine"}})
	return &r.doc.Roots[len(r.doc.Roots)-1]
}

// next begins the next version of the policy, with no roots yet.
func (r *rig) next() {
	r.doc.Version++
	r.doc.Issued, r.doc.Expires = r.now, r.now.AddDate(0, 0, 90)
	r.doc.Roots = nil
}

func (r *rig) signed() []byte {
	r.t.Helper()
	data, err := policy.Sign(r.doc, r.chain, r.doc.Issued, r.signer)
	if err != nil {
		r.t.Fatal(err)
	}
	return data
}

func (r *rig) believe(offered []byte) Belief {
	r.t.Helper()
	m, err := Recall(r.state, "harbour")
	if err != nil {
		r.t.Fatal(err)
	}
	var why error
	if offered == nil {
		why = errors.New("the share is away")
	}
	return Believe(m, offered, why, policy.Pin{Keyset: r.chain.First(), MinVersion: r.min}, r.now)
}

// enforce goes through once, as the command does.
func (r *rig) enforce(offered []byte, force string) (Belief, Result) {
	r.t.Helper()
	b := r.believe(offered)
	if err := b.Keep(r.state); err != nil {
		r.t.Fatal(err)
	}
	l, err := ledger.Open(r.state)
	if err != nil {
		r.t.Fatal(err)
	}
	a := &Agent{Stores: []trust.Store{r.store}, Ledger: l, Prover: r.prover, Log: slog.New(slog.DiscardHandler)}
	suspended, err := ReadSuspensions(r.state)
	if err != nil {
		r.t.Fatal(err)
	}
	if r.web != nil {
		a.Probing, a.State, a.Witness = r.web, r.state, r.seen
		a.Listeners = Listeners{Look: !r.blind, Except: r.except}
	}
	res, err := a.Cycle(r.t.Context(), Order{Policy: b.Policy, Host: r.host, Force: force, Only: r.only, Now: r.now, Suspended: suspended})
	if err != nil {
		r.t.Fatal(err)
	}
	return b, res
}

func (r *rig) ledger() *ledger.Ledger {
	r.t.Helper()
	l, err := ledger.Open(r.state)
	if err != nil {
		r.t.Fatal(err)
	}
	return l
}

func (r *rig) holds(a trusttest.Authority) bool {
	_, ok := r.store.Local[root.Of(a.Cert.Raw)]
	return ok
}

// says wants every word in a text.
func says(t *testing.T, text string, words ...string) {
	t.Helper()
	for _, w := range words {
		if !strings.Contains(text, w) {
			t.Errorf("%q is missing in %q", w, text)
		}
	}
}

func only(standing policy.Standing) policy.Step { return policy.Step{Standing: standing} }
