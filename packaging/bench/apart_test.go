//go:build linux

package bench

import (
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/native"
	"anchorhold.test/anchorhold/trust/reader"
)

// TestMain lets this program be the child that proves, as the real one does.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == reader.Command {
		if err := reader.Child(os.Args[2:], os.Stdin, os.Stdout); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

const stateDir = "/var/lib/anchorhold"

// state is the state folder as the agent wants it.
type state struct{ *host.Dir }

func (s state) Read(name string, max int64) ([]byte, error) { return s.ReadFile(name, max) }

var _ interface {
	Append(name string, line []byte, perm fs.FileMode) error
} = state{}

// enforceApart does in this process what enforce does, without the witness:
// that has a budget of its own.
func (m *machine) enforceApart() time.Duration {
	m.Helper()
	begun := time.Now()
	ctx, h := m.Context(), host.System()
	data, err := h.ReadFile(filepath.Join(settings, "harbour.policy"), policy.MaxFile)
	if err != nil {
		m.Fatal(err)
	}
	verified, _, err := policy.Open(data, policy.Pin{Keyset: m.office.chain.First()}, policy.Floor{}, now())
	if err != nil {
		m.Fatal(err)
	}
	stores, err := native.Detect(ctx, h)
	if err != nil {
		m.Fatal(err)
	}
	dir, err := h.Ensure(stateDir, 0o755)
	if err != nil {
		m.Fatal(err)
	}
	defer dir.Close()
	l, err := ledger.Open(state{dir})
	if err != nil {
		m.Fatal(err)
	}
	a := agent.Agent{Stores: stores, Ledger: l, Log: slog.New(slog.DiscardHandler),
		Prover: reader.Prover{Host: h, Accounts: []string{agent.DefaultAccount}, Can: true}}
	r, err := a.Cycle(ctx, agent.Order{Policy: verified, Host: policy.HostFacts{ID: "bench"}, Now: now()})
	if err != nil || !r.Right() {
		m.Fatalf("%v %+v", err, r.Changes)
	}
	return time.Since(begun)
}

// witness has every reader of this machine read the live store once.
func (m *machine) witness() row {
	m.ready()
	h := host.System()
	stores, err := native.Detect(m.Context(), h)
	if err != nil {
		m.Fatal(err)
	}
	snap, err := stores[0].Observe(m.Context())
	if err != nil {
		m.Fatal(err)
	}
	w := reader.Witness{Host: h, Account: agent.DefaultAccount, Can: true, Tools: reader.SystemTools()}
	var took sample
	var heard []string
	for range few {
		begun := time.Now()
		said := w.Attest(m.Context(), snap.Parts)
		took = append(took, time.Since(begun))
		heard, _, _ = trust.Heard(said)
	}
	limit := 300 * time.Millisecond
	for _, name := range heard {
		if name == "Java" {
			limit = 2 * time.Second
		}
	}
	return row{"witness, the live store once, in process", took.String(), fmt.Sprintf("%d readers heard", len(heard)), "", "<= " + short(limit),
		verdict(len(heard) > 1 && took.median() <= limit)}
}
