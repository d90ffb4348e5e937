package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/trust/dependent"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/reader"
)

// childGrace is how much longer than its own limit a child may take.
const childGrace = 5 * time.Second

// lookThrough looks through this host's files for certificates of servers: as
// root in a child as the account of least rights, since no foreign file is
// parsed with root's rights; else in this process.
func lookThrough(ctx context.Context, h *host.Host, q dependent.Question) (dependent.Answer, error) {
	if err := q.Check(); err != nil {
		return dependent.Answer{}, err
	}
	question, err := json.Marshal(q)
	if err != nil {
		return dependent.Answer{}, fmt.Errorf("cannot encode the question: %w", err)
	}
	if !reader.CanAskOthers() {
		var out bytes.Buffer
		if err := dependent.Child(ctx, bytes.NewReader(question), &out); err != nil {
			return dependent.Answer{}, err
		}
		return dependent.Answers(out.Bytes(), q)
	}
	account, err := h.Account(agent.DefaultAccount)
	if err != nil {
		return dependent.Answer{}, err
	}
	if account.UID == 0 {
		return dependent.Answer{}, fmt.Errorf("cannot look through files: account %s is root", account.Name)
	}
	r, err := h.Run(ctx, host.Cmd{Path: host.Self, Args: []string{dependent.Command}, Stdin: question, As: account,
		Limit: dependent.MaxAnswer, Timeout: dependent.Limit + childGrace})
	switch {
	case err != nil:
		return dependent.Answer{}, err
	case r.Truncated:
		return dependent.Answer{}, errors.New("cannot look through files: the answer is too long")
	case r.Code != 0:
		return dependent.Answer{}, fmt.Errorf("cannot look through files as %s: %s", account.Name, strings.TrimSpace(string(r.Stderr)))
	}
	return dependent.Answers(r.Stdout, q)
}
