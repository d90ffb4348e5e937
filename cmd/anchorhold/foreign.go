package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/trust/dependent"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/reader"
)

// childGrace is how much longer than its own limit a child may take.
const childGrace = 5 * time.Second

// errand is a question for a part of this program that reads what strangers
// wrote.
type errand struct {
	what    string // "look through files": for errors
	command string
	body    func(ctx context.Context, in io.Reader, out io.Writer) error
	limit   time.Duration
	answer  int64 // bytes that it may answer
}

// run asks: as root in a child as the account of least rights, since nothing of
// strangers is parsed with root's rights; else in this process.
func (e errand) run(ctx context.Context, h *host.Host, question any) ([]byte, error) {
	text, err := json.Marshal(question)
	if err != nil {
		return nil, fmt.Errorf("cannot encode the question: %w", err)
	}
	if !reader.CanAskOthers() {
		var out bytes.Buffer
		err := e.body(ctx, bytes.NewReader(text), &out)
		return out.Bytes(), err
	}
	account, err := h.Lesser(agent.DefaultAccount)
	if err != nil {
		return nil, fmt.Errorf("cannot %s: %w", e.what, err)
	}
	answer, err := h.Ask(ctx, host.Cmd{Args: []string{e.command}, Stdin: text, As: account, Limit: e.answer, Timeout: e.limit + childGrace})
	if err != nil {
		return nil, fmt.Errorf("cannot %s as %s: %w", e.what, account.Name, err)
	}
	return answer, nil
}

// lookThrough looks through this host's files for certificates of servers.
func lookThrough(ctx context.Context, h *host.Host, q dependent.Question) (dependent.Answer, error) {
	if err := q.Check(); err != nil {
		return dependent.Answer{}, err
	}
	e := errand{"look through files", dependent.Command, dependent.Child, dependent.Limit, dependent.MaxAnswer}
	answer, err := e.run(ctx, h, q)
	if err != nil {
		return dependent.Answer{}, err
	}
	return dependent.Answers(answer, q)
}
