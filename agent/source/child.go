package source

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"anchorhold.test/anchorhold/trust/host"
)

// Command is the hidden command by which the program runs itself as an account
// without rights, to fetch ([Child]).
const Command = "fetch-policy"

// Bounds of the child.
const (
	childMemory = 512 << 20
	childGrace  = 10 * time.Second // to start, and to end by itself after its own limit
)

// Child is the body of that child: it reads a question from in, fetches, and
// writes the answer to out. It bounds the memory of the process for good.
func Child(ctx context.Context, in io.Reader, out io.Writer) error {
	if err := host.Bound(childMemory); err != nil && !errors.Is(err, host.ErrUnsupported) {
		return err
	}
	q, err := ReadQuestion(in)
	if err != nil {
		return err
	}
	return Fetch(ctx, q).write(out)
}

// Ask runs the child as an account that is not root and returns its answer.
// account may be empty where this process has no rights to give up.
func Ask(ctx context.Context, h *host.Host, account string, q Question) (Answer, error) {
	if err := q.Check(); err != nil {
		return Answer{}, fmt.Errorf("cannot ask for the policy: %w", err)
	}
	question, err := json.Marshal(q)
	if err != nil {
		return Answer{}, fmt.Errorf("cannot ask for the policy: %w", err)
	}
	as, err := without(h, account)
	if err != nil {
		return Answer{}, fmt.Errorf("cannot ask for the policy: %w", err)
	}
	answer, err := h.Ask(ctx, host.Cmd{Args: []string{Command}, Stdin: question, As: as,
		Limit: q.Limits.Body + maxHead + 1, Timeout: q.Limits.Total + childGrace})
	if err != nil {
		return Answer{}, fmt.Errorf("cannot ask for the policy: %w", err)
	}
	a, err := readAnswer(answer)
	if err != nil {
		return Answer{}, fmt.Errorf("cannot read the fetching child's answer: %w", err)
	}
	return a, nil
}

// without looks up whom the child runs as: nobody who could write a store.
func without(h *host.Host, account string) (*host.Account, error) {
	if account == "" {
		if host.Privileged() {
			return nil, errors.New("root opens no connection: name an account for it")
		}
		return nil, nil
	}
	return h.Lesser(account)
}
