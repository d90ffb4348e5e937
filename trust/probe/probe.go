package probe

import (
	"context"
	"sync"
	"time"

	"anchorhold.test/anchorhold/trust"
)

// Probe asks every target and judges what it served at now, by a store that
// holds the roots in; more are roots that it does not hold. There is one
// verdict for each target, in their order.
func (n Net) Probe(ctx context.Context, targets []trust.Target, in, more []trust.Root, now time.Time) []trust.Verdict {
	verdicts := make([]trust.Verdict, len(targets))
	n.slots = make(chan struct{}, MaxParallel)
	var wg sync.WaitGroup
	for i, t := range targets {
		wg.Go(func() { verdicts[i] = Judge(n.Gather(ctx, t), in, more, now) })
	}
	wg.Wait()
	return verdicts
}
