package main

import (
	"context"

	"anchorhold.test/anchorhold/agent/source"
	"anchorhold.test/anchorhold/trust/dependent"
	"anchorhold.test/anchorhold/trust/probe"
	"anchorhold.test/anchorhold/trust/reader"
)

// child does what this program asks of itself as an account without privileges;
// nobody else has a use for it. It is looked for before any command is built:
// every proof starts a child, and its start is half of what it costs.
func (a *app) child(ctx context.Context, args []string) (found bool, err error) {
	switch {
	case len(args) == 2 && args[0] == reader.Command:
		return true, reader.Child(args[1:], a.in, a.out)
	case len(args) == 1 && args[0] == dependent.Command:
		return true, dependent.Child(ctx, a.in, a.out)
	case len(args) == 1 && args[0] == probe.Command:
		return true, probe.Child(ctx, a.in, a.out)
	case len(args) == 1 && args[0] == source.Command:
		return true, source.Child(ctx, a.in, a.out)
	}
	return false, nil
}
