package trust

import (
	"fmt"

	"anchorhold.test/anchorhold/trust/root"
)

// StoreID names a store on a host, as policies and reports name it.
type StoreID string

// Machine is the operating system's own store, for all accounts.
const Machine StoreID = "machine"

// Op is one kind of planned step.
type Op string

// The steps. Place and Withdraw concern the store's roots; Block makes the
// store refuse a root even where somebody else put it in, Unblock undoes only
// that.
const (
	Place    Op = "place"
	Withdraw Op = "withdraw"
	Block    Op = "block"
	Unblock  Op = "unblock"
)

// Root is what a store has to know of a root.
type Root struct {
	Fingerprint root.Fingerprint
	DER         []byte // nil where only the fingerprint is known; needed to place
}

// Change is one planned step on one store. The zero value is no step at all:
// stores refuse it.
type Change struct {
	Store StoreID
	Op    Op
	Root  Root
	Own   bool   // place: a copy of our own is wanted beside somebody's copy
	Sweep bool   // withdraw and block: copies in accounts' own stores go too
	Why   string // for people and the history
}

// String names the step for logs and errors.
func (c Change) String() string {
	return fmt.Sprintf("%s %s in store %s", c.Op, c.Root.Fingerprint.Short(), c.Store)
}

// Same reports whether two changes are one step on one store, whatever led to
// them.
func (c Change) Same(o Change) bool {
	return c.Store == o.Store && c.Op == o.Op && c.Root.Fingerprint == o.Root.Fingerprint
}

// Leaves reports whether the step takes a root out.
func (c Change) Leaves() bool { return c.Op == Withdraw || c.Op == Block }

// Check reports a change that no store may carry out.
func (c Change) Check() error {
	switch c.Op {
	case Place:
		if root.Of(c.Root.DER) != c.Root.Fingerprint {
			return fmt.Errorf("cannot %s: the certificate is not the one that the fingerprint names", c)
		}
	case Withdraw, Block, Unblock:
	default:
		return fmt.Errorf("cannot carry out a change with operation %q", c.Op)
	}
	if c.Root.Fingerprint.IsZero() {
		return fmt.Errorf("cannot %s: no fingerprint", c.Op)
	}
	return nil
}

// Status is how a change ended.
type Status string

// The ends of a change, as the store itself saw them. Whether it took effect
// is decided by observing the store again.
const (
	Done   Status = "done"
	Failed Status = "failed"
)

// Outcome is how one change of a batch ended.
type Outcome struct {
	Change Change
	Status Status
	Err    error    // set where Failed
	Notes  []string // what else people should know
}
