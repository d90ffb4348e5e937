package reader

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
)

// Command is the hidden command by which the program runs itself as another
// account; its one argument is the account's name for the proofs ([Child]).
const Command = "answer-claims"

// Limits of one child.
const (
	childTimeout = 20 * time.Second
	childOutput  = 16 << 20
)

// Prover asks accounts of this host. It implements [trust.Prover].
type Prover struct {
	Host     *host.Host
	Accounts []string
	// Can reports whether this process may run children as others; if not,
	// it answers by itself, as whoever it is.
	Can  bool
	Self string // the name of the account that runs this, for proofs by itself
}

// Prove tries every claim as every account, one child an account, side by
// side. An account that could not be asked says so in its proofs; the error is
// for when nobody could be asked at all.
func (p Prover) Prove(ctx context.Context, claims []trust.Claim) ([]trust.Proof, error) {
	if !p.Can {
		return Try(p.Self, claims), nil
	}
	question, err := json.Marshal(claims)
	if err != nil {
		return nil, fmt.Errorf("cannot encode claims: %w", err)
	}
	answers := make([][]trust.Proof, len(p.Accounts))
	failed := make([]error, len(p.Accounts))
	var wg sync.WaitGroup
	for i, name := range p.Accounts {
		wg.Go(func() {
			answers[i], failed[i] = p.ask(ctx, name, question)
			if failed[i] == nil && !answersAll(answers[i], claims) {
				failed[i] = fmt.Errorf("the child as %s answered %d of %d claims", name, len(answers[i]), len(claims))
			}
		})
	}
	wg.Wait()
	var proofs []trust.Proof
	asked := 0
	for i, name := range p.Accounts {
		if failed[i] == nil {
			asked++
			proofs = append(proofs, answers[i]...)
			continue
		}
		for _, c := range claims {
			proofs = append(proofs, trust.Proof{Store: c.Store, Root: c.Root.Fingerprint, Account: name, Unable: failed[i].Error()})
		}
	}
	if asked == 0 {
		return proofs, errors.Join(failed...)
	}
	return proofs, nil
}

func (p Prover) ask(ctx context.Context, name string, question []byte) ([]trust.Proof, error) {
	account, err := p.Host.Lesser(name)
	if errors.Is(err, host.ErrRoot) {
		return nil, errors.New("it is root, which reads everything: that proves nothing for services")
	}
	if err != nil {
		return nil, err
	}
	answer, err := p.Host.Ask(ctx, host.Cmd{Args: []string{Command, name}, Stdin: question, As: account, Limit: childOutput, Timeout: childTimeout})
	if err != nil {
		return nil, fmt.Errorf("cannot ask as %s: %w", name, err)
	}
	var proofs []trust.Proof
	if err := trust.Decode(answer, childOutput, &proofs); err != nil {
		return nil, fmt.Errorf("cannot read the answer of %s: %w", name, err)
	}
	for i := range proofs {
		proofs[i].Account = account.Name
	}
	return proofs, nil
}

// answersAll reports whether there is one proof for each claim, in its order.
func answersAll(proofs []trust.Proof, claims []trust.Claim) bool {
	if len(proofs) != len(claims) {
		return false
	}
	for i, p := range proofs {
		if p.Store != claims[i].Store || p.Root != claims[i].Root.Fingerprint {
			return false
		}
	}
	return true
}

// CanAskOthers reports whether this process may run children as other
// accounts.
func CanAskOthers() bool { return host.Privileged() }
