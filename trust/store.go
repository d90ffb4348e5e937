package trust

import (
	"context"
	"errors"
)

// ErrAbsent is returned by Observe where the store does not exist on this
// machine: not an incident.
var ErrAbsent = errors.New("no such store on this machine")

// Store is one place where programs look for roots.
//
// Observe only reads and may be called by anybody; what the caller cannot see
// is told in the snapshot. Try builds the store as it would be after the batch
// beside the live one and changes nothing that any reader reads. Apply takes a
// trial live with at most one refresh of the platform; it is idempotent,
// touches only the roots of its batch, places before it withdraws, and returns
// one outcome for each change, in the batch's order. A trial is used once:
// applied or discarded.
type Store interface {
	ID() StoreID
	Capabilities() Capabilities
	Observe(ctx context.Context) (Snapshot, error)
	Try(ctx context.Context, batch []Change) (Trial, error)
	Apply(ctx context.Context, t Trial) []Outcome
}

// Capabilities are differences between stores, as data.
type Capabilities struct {
	Family   string   // "debian", "memory", ...
	Ops      []Op     // what the store can do at all
	Staged   bool     // Try builds a readable copy
	Purposes []string // purposes that the store can keep apart; empty: none, a root is for everything
}

// Trial is a batch ready to go live.
type Trial interface {
	Batch() []Change
	// Staged returns the parts as they would be, to be read by witnesses.
	// Empty where the platform cannot build beside the live store.
	Staged() []Part
	// Leaving lists roots that the live store has and the staged one has not,
	// beside those of the batch, each with the reason found for it.
	Leaving() []Leaving
	// Notes tells what the trial left out or noticed.
	Notes() []string
	Discard(ctx context.Context) error
}

// Leaving is a root that would leave the store although no change of the batch
// says so.
type Leaving struct {
	Entry     Entry
	Explained string // "its source file is gone", "deselected in ...": somebody else's doing; empty: nobody's
}

// Restorer is a trial that can put back a part which the platform builds live
// only, so that nobody could try it before.
type Restorer interface {
	// Restore puts a part back as it was before the trial went live, at once
	// and whole. It refuses where somebody else changed the part since.
	Restore(ctx context.Context, part string) error
}
