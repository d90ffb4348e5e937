package main

import (
	"context"
	"fmt"
	"slices"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/probe"
)

// prober asks services for the agent. It implements [trust.Prober].
type prober struct {
	host *host.Host
	now  func() time.Time // by which certificates are judged
}

// Probe asks in children of [probe.Batch] targets each, one after the other.
func (p prober) Probe(ctx context.Context, targets []trust.Target, in, more []trust.Root) ([]trust.Verdict, error) {
	var verdicts []trust.Verdict
	for batch := range slices.Chunk(targets, probe.Batch) {
		q := probe.Question{Targets: batch, In: in, More: more, At: p.now(), Within: probe.Within(len(batch))}
		e := errand{"probe services", probe.Command, probe.Child, q.Within, probe.MaxAnswer}
		answer, err := e.run(ctx, p.host, q)
		if err != nil {
			return nil, err
		}
		some, err := probe.Answers(answer, batch)
		if err != nil {
			return nil, fmt.Errorf("cannot probe services: %w", err)
		}
		verdicts = append(verdicts, some...)
	}
	return verdicts, nil
}

// Listeners lists what listens on this host.
func (p prober) Listeners(ctx context.Context) (targets []trust.Target, blind []string) {
	return listeners{p.host}.list(ctx)
}
