package reader

import (
	"os"
	"testing"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// Root reads everything: its word proves nothing for services.
func TestRootProvesNothing(t *testing.T) {
	if os.Geteuid() != 0 {
		trusttest.Lacking(t, "root: it runs children as other accounts")
	}
	s := newStore(t)
	p := Prover{Host: host.System(), Accounts: []string{"root", "nobody"}, Can: true}
	proofs, err := p.Prove(t.Context(), []trust.Claim{s.claim(false)})
	if err != nil || len(proofs) != 2 || proofs[0].Holds || proofs[0].Unable == "" || !proofs[1].Holds {
		t.Errorf("%+v %v", proofs, err)
	}
}

func TestEveryClaimIsAnswered(t *testing.T) {
	a, b := root.Of([]byte("a")), root.Of([]byte("b"))
	claims := []trust.Claim{{Store: trust.Machine, Root: trust.Root{Fingerprint: a}}, {Store: trust.Machine, Root: trust.Root{Fingerprint: b}}}
	one := trust.Proof{Store: trust.Machine, Root: a, Holds: true}
	two := trust.Proof{Store: trust.Machine, Root: b, Holds: true}
	if !answersAll([]trust.Proof{one, two}, claims) {
		t.Error("all answered, and it is not seen")
	}
	for _, some := range [][]trust.Proof{nil, {one}, {one, one}, {two, one}, {one, two, two}} {
		if answersAll(some, claims) {
			t.Errorf("%v answers all", some)
		}
	}
}
