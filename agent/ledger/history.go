package ledger

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// MaxHistory bounds what is read of the history at once, in bytes.
const MaxHistory = 64 << 20

// Event is one line of the history: a change that was made or tried.
type Event struct {
	Time   time.Time        `json:"time"`
	Seq    uint64           `json:"seq"`
	Store  trust.StoreID    `json:"store"`
	Root   root.Fingerprint `json:"sha256"`
	Op     trust.Op         `json:"op"`
	Status string           `json:"status"` // done, failed, interrupted
	State  trust.State      `json:"state"`  // observed afterwards
	Proven []string         `json:"proven,omitempty"`
	Policy string           `json:"policy"`
	Why    string           `json:"why"`
	Error  string           `json:"error,omitempty"`
}

func (l *Ledger) tell(s Seen, now time.Time) error {
	p := s.Pending
	line, err := json.Marshal(Event{
		Time: now.UTC().Truncate(time.Second), Seq: p.Seq, Store: p.Store, Root: p.Root, Op: p.Op,
		Status: s.Status, State: s.State, Proven: s.Proven, Policy: p.Policy, Why: p.Why, Error: s.Error,
	})
	if err != nil {
		return fmt.Errorf("cannot encode history: %w", err)
	}
	if err := l.dir.Append(HistoryFile, append(line, '\n'), 0o600); err != nil {
		return fmt.Errorf("cannot write history: %w", err)
	}
	return nil
}

// History reads all events, oldest first. A line that cannot be read is
// counted in damaged and costs the others nothing.
func History(dir Dir) (events []Event, damaged int, err error) {
	data, err := dir.Read(HistoryFile, MaxHistory)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, 0, nil
	}
	if err != nil {
		return nil, 0, fmt.Errorf("cannot read the history: %w", err)
	}
	for line := range bytes.Lines(data) {
		if len(bytes.TrimSpace(line)) == 0 {
			continue
		}
		var e Event
		if json.Unmarshal(line, &e) != nil || e.Root.IsZero() {
			damaged++
			continue
		}
		events = append(events, e)
	}
	return events, damaged, nil
}
