package main

import "anchorhold.test/anchorhold/trust/reader"

// child does what this program asks of itself as an account without privileges;
// nobody else has a use for it. It is looked for before any command is built:
// every proof starts a child, and its start is half of what it costs.
func (a *app) child(args []string) (found bool, err error) {
	if len(args) != 2 || args[0] != reader.Command {
		return false, nil
	}
	return true, reader.Child(args[1:], a.in, a.out)
}
