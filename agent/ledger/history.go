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

// What a person or the host itself decided; no store carries these out.
const (
	Repin   trust.Op = "repin"   // the host believes another keyset from now on
	Relearn trust.Op = "relearn" // what the host remembered of policies was gone
	Suspend trust.Op = "suspend" // changes of one root wait
	Resume  trust.Op = "resume"  // they wait no longer
	Vanish  trust.Op = "gone"    // a root that was to go was taken out by somebody else
)

// Done is the status of what came to its end.
const Done = "done"

// Event is one line of the history: a change that was made or tried, or
// something that was decided on this host.
type Event struct {
	Time   time.Time        `json:"time"`
	Seq    uint64           `json:"seq,omitempty"`
	Store  trust.StoreID    `json:"store,omitempty"`
	Root   root.Fingerprint `json:"sha256,omitzero"`
	Op     trust.Op         `json:"op"`
	Status string           `json:"status"`          // done, failed, interrupted
	State  trust.State      `json:"state,omitempty"` // observed afterwards
	Proven []string         `json:"proven,omitempty"`
	Policy string           `json:"policy,omitempty"`
	Why    string           `json:"why"`
	Error  string           `json:"error,omitempty"`
	Until  *time.Time       `json:"until,omitempty"` // suspend
	How    How              `json:"how,omitempty"`   // withdraw and block: what let the root go
	Was    *Trust           `json:"was,omitempty"`   // repin: whom the host believed
	Is     *Trust           `json:"is,omitempty"`    // repin: whom it believes
}

// Trust is whom a host believes, as the history tells it.
type Trust struct {
	Policy     string   `json:"policy"`
	Keyset     string   `json:"keyset"` // generation and serial
	Threshold  int      `json:"threshold"`
	Keys       []string `json:"keys"` // their ids
	MinVersion uint64   `json:"min_version"`
}

// whole reports whether a line tells something.
func (e Event) whole() bool {
	switch e.Op {
	case "":
		return false
	case Repin, Relearn:
		return true
	}
	return !e.Root.IsZero()
}

func (l *Ledger) tell(s Seen, now time.Time) error {
	p := s.Pending
	return Tell(l.dir, Event{
		Time: now, Seq: p.Seq, Store: p.Store, Root: p.Root, Op: p.Op,
		Status: s.Status, State: s.State, Proven: s.Proven, Policy: p.Policy, Why: p.Why, Error: s.Error, How: p.How,
	})
}

// Tell adds a line to the history in the state folder.
func Tell(dir Dir, e Event) error {
	e.Time = e.Time.UTC().Truncate(time.Second)
	line, err := json.Marshal(e)
	if err != nil {
		return fmt.Errorf("cannot encode history: %w", err)
	}
	if err := dir.Append(HistoryFile, append(line, '\n'), 0o600); err != nil {
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
		if json.Unmarshal(line, &e) != nil || !e.whole() {
			damaged++
			continue
		}
		events = append(events, e)
	}
	return events, damaged, nil
}
