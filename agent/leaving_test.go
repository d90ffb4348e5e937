package agent

import (
	"context"
	"testing"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// leaver is a store whose next build lacks one root beside the batch.
type leaver struct {
	*trusttest.Memory
	why string
}

type leavingTrial struct {
	trust.Trial
	why string
}

func (s *leaver) Try(ctx context.Context, batch []trust.Change) (trust.Trial, error) {
	t, err := s.Memory.Try(ctx, batch)
	return leavingTrial{t, s.why}, err
}

func (s *leaver) Apply(ctx context.Context, t trust.Trial) []trust.Outcome {
	return s.Memory.Apply(ctx, t.(leavingTrial).Trial)
}

func (t leavingTrial) Leaving() []trust.Leaving {
	return []trust.Leaving{{Entry: trust.Entry{Fingerprint: root.Of([]byte("a vendor's"))}, Explained: t.why}}
}

// TestRootsThatNobodyTookOutStay lets a refresh go on only where somebody
// wanted the root to leave.
func TestRootsThatNobodyTookOutStay(t *testing.T) {
	for why, applied := range map[string]int{"": 0, "it is deselected": 1} {
		r := newRig(t)
		r.root(trusttest.NewAuthority(t, "Harbour Root 2026"), only(policy.Trusted))
		got := r.witnessed(&leaver{r.store, why}, nil)
		if r.store.Applied != applied || len(got.Changes) != 1 || (got.Changes[0].Err == nil) != (applied == 1) {
			t.Errorf("%q: applied %d times, %+v", why, r.store.Applied, got.Changes)
		}
	}
}
