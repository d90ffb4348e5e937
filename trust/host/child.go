package host

import (
	"context"
	"errors"
	"fmt"
	"strings"
)

// ErrRoot is returned where an account without root's rights was asked for.
var ErrRoot = errors.New("it is root")

// Lesser looks an account up as which a child can run that must not be root.
func (h *Host) Lesser(name string) (*Account, error) {
	a, err := h.Account(name)
	if err == nil && a.UID == 0 {
		err = fmt.Errorf("account %q cannot be used: %w", name, ErrRoot)
	}
	if err != nil {
		return nil, err
	}
	return a, nil
}

// Ask runs this program itself, with a hidden command and a question, and
// returns the whole of what it answers. c needs no Path.
func (h *Host) Ask(ctx context.Context, c Cmd) ([]byte, error) {
	c.Path = Self
	r, err := h.Run(ctx, c)
	switch {
	case err != nil:
		return nil, err
	case r.Code != 0:
		return nil, fmt.Errorf("our own child ended with %d and said %q", r.Code, strings.TrimSpace(string(r.Stderr)))
	case r.Truncated:
		return nil, errors.New("our own child said more than it may")
	}
	return r.Stdout, nil
}
