package probe

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"anchorhold.test/anchorhold/trust"
)

// Command is the hidden command by which the program asks services as an
// account without rights; it takes no argument ([Child]).
const Command = "answer-probe"

// Batch is how many targets one child is given at most: what it answers stays
// below [MaxAnswer].
const Batch = 64

// Question is what a child is asked.
type Question struct {
	Targets []trust.Target `json:"targets"`
	In      []trust.Root   `json:"in"`
	More    []trust.Root   `json:"more"`
	At      time.Time      `json:"at"`    // the time of judgement
	Within  time.Duration  `json:"limit"` // for all of it
}

// Within is how long so many targets may take, waiting for a turn included.
func Within(targets int) time.Duration {
	turns := 1 + targets*2/MaxParallel // two addresses each; whoever has more may come too late
	return LookupLimit + time.Duration(turns)*(TargetLimit+ReverseLimit)
}

// Child is the body of that command: it reads a question from in, asks the
// services with the rights that the process has, and writes the verdicts.
func Child(ctx context.Context, in io.Reader, out io.Writer) error {
	var q Question
	if err := trust.Receive(in, MaxQuestion, &q); err != nil {
		return fmt.Errorf("cannot read the targets: %w", err)
	}
	if len(q.Targets) > Batch || q.At.IsZero() || q.Within <= 0 {
		return errors.New("cannot probe: this is no question of ours")
	}
	ctx, stop := context.WithTimeout(ctx, q.Within)
	defer stop()
	return json.NewEncoder(out).Encode(System().Probe(ctx, q.Targets, q.In, q.More, q.At))
}

// Answers reads what a child wrote about these targets. The child talked with
// strangers: its answer is taken only where it has our form and one verdict for
// each target, and every text in it is made safe to show once more.
func Answers(data []byte, targets []trust.Target) ([]trust.Verdict, error) {
	var verdicts []trust.Verdict
	if err := trust.Decode(data, MaxAnswer, &verdicts); err != nil {
		return nil, fmt.Errorf("cannot read the answer: %w", err)
	}
	if len(verdicts) != len(targets) {
		return nil, fmt.Errorf("%d of %d targets were answered", len(verdicts), len(targets))
	}
	for i := range verdicts {
		verdicts[i].Target = targets[i]
		if err := tame(&verdicts[i]); err != nil {
			return nil, err
		}
	}
	return verdicts, nil
}
