package ledger

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// Names of the files in the state folder, and their bounds in bytes.
const (
	File        = "ledger.json"
	HistoryFile = "history.jsonl"
	MaxFile     = 8 << 20
	schema      = 2
	schemaPlain = 1 // without what gone.go adds
)

// Dir is the state folder.
type Dir interface {
	Read(name string, max int64) ([]byte, error)
	Write(name string, data []byte, perm fs.FileMode) error  // atomic and synced
	Append(name string, line []byte, perm fs.FileMode) error // synced; repairs a torn last line first
}

// Entry is something of ours in a store.
type Entry struct {
	Store  trust.StoreID    `json:"store"`
	Root   root.Fingerprint `json:"sha256"`
	Op     trust.Op         `json:"op"` // place or block
	Since  time.Time        `json:"since"`
	Policy string           `json:"policy"` // name, epoch and version that asked for it
}

// Pending is a change that was begun and whose end is not known yet.
type Pending struct {
	Seq    uint64           `json:"seq"`
	Store  trust.StoreID    `json:"store"`
	Root   root.Fingerprint `json:"sha256"`
	Op     trust.Op         `json:"op"`
	Begun  time.Time        `json:"begun"`
	Why    string           `json:"why"`
	Policy string           `json:"policy"`
	How    How              `json:"how,omitempty"`         // withdraw and block: what let it go
	Before []string         `json:"before,omitempty"`      // source copies that were there already: not ours
	Was    bool             `json:"was_refused,omitempty"` // somebody refused the root already: not our block
}

type content struct {
	Schema  int       `json:"schema"`
	Seq     uint64    `json:"seq"`
	Owned   []Entry   `json:"owned"`
	Pending []Pending `json:"pending"`

	Gone      []Tombstone `json:"gone,omitempty"`
	Lingering []Sight     `json:"lingering,omitempty"`
}

// Ledger is the open ledger of one host. It belongs to the one process that
// holds the host's lock.
type Ledger struct {
	dir Dir
	c   content
}

// Open reads the ledger in the state folder; none there is an empty one.
func Open(dir Dir) (*Ledger, error) {
	data, err := dir.Read(File, MaxFile)
	if errors.Is(err, fs.ErrNotExist) {
		return &Ledger{dir: dir, c: content{Schema: schemaPlain}}, nil
	}
	if err != nil {
		return nil, fmt.Errorf("cannot read the ledger: %w", err)
	}
	var c content
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&c); err != nil {
		return nil, fmt.Errorf("cannot read the ledger %s, and nothing is changed without it: %w; restore it from a backup, or move it away and every root counts as placed by hand", File, err)
	}
	if c.Schema < schemaPlain || c.Schema > schema {
		return nil, fmt.Errorf("cannot read the ledger: schema %d is not %d to %d; it was written by another version", c.Schema, schemaPlain, schema)
	}
	l := &Ledger{dir: dir, c: c}
	return l, Check(l)
}

// Placed reports whether the root in that store is ours.
func (l *Ledger) Placed(s trust.StoreID, fp root.Fingerprint) bool {
	return l.find(s, fp, trust.Place) >= 0
}

// Blocked reports whether we block the root in that store.
func (l *Ledger) Blocked(s trust.StoreID, fp root.Fingerprint) bool {
	return l.find(s, fp, trust.Block) >= 0
}

// Owned lists what is ours, sorted by store and root.
func (l *Ledger) Owned() []Entry { return slices.Clone(l.c.Owned) }

// Pending lists changes whose end is not known.
func (l *Ledger) Pending() []Pending { return slices.Clone(l.c.Pending) }

func (l *Ledger) find(s trust.StoreID, fp root.Fingerprint, op trust.Op) int {
	return slices.IndexFunc(l.c.Owned, func(e Entry) bool { return e.Store == s && e.Root == fp && e.Op == op })
}

// Intent is one change about to be made.
type Intent struct {
	Change  trust.Change
	How     How      // withdraw and block: what lets it go
	Before  []string // source copies seen before
	Refused bool     // the store refused the root already
}

// Begin records a batch before any of it takes effect, in one synced write.
func (l *Ledger) Begin(batch []Intent, policy string, now time.Time) error {
	next := l.c.clone()
	for _, in := range batch {
		c := in.Change
		next.Pending = slices.DeleteFunc(next.Pending, func(p Pending) bool {
			if p.Store == c.Store && p.Root == c.Root.Fingerprint && p.Op == c.Op {
				in.Before, in.Refused = p.Before, p.Was // what was there before the first try is what counts
				return true
			}
			return false
		})
		next.Seq++
		next.Pending = append(next.Pending, Pending{
			Seq: next.Seq, Store: c.Store, Root: c.Root.Fingerprint, Op: c.Op,
			Begun: now.UTC().Truncate(time.Second), Why: c.Why, Policy: policy, How: in.How, Before: in.Before, Was: in.Refused,
		})
	}
	return l.save(next)
}

// Seen is what was observed of a pending change afterwards.
type Seen struct {
	Pending Pending
	Status  string // for the history: "done", "failed", "interrupted"
	Error   string
	State   trust.State
	Copies  []string // source copies there now
	Refused bool     // the store's own list refuses it, whether or not a copy is left
	Read    bool     // some reader reads it all the same
	Proven  []string // accounts that proved it
}

// End closes pending changes by what was observed, never by what a tool said:
// a place is ours where a source copy appeared that was not there before; a
// withdrawn root leaves the ledger only when no copy was seen.
func (l *Ledger) End(seen []Seen, now time.Time) error {
	next := l.c.clone()
	for _, s := range seen {
		p := s.Pending
		next.Pending = slices.DeleteFunc(next.Pending, func(q Pending) bool { return q.Seq == p.Seq })
		next.settle(s, now)
	}
	// The history first: a change that is told twice after a crash is better
	// than one that is never told.
	for _, s := range seen {
		if err := l.tell(s, now); err != nil {
			return err
		}
	}
	return l.save(next)
}

func (c *content) settle(s Seen, now time.Time) {
	p := s.Pending
	at := func(op trust.Op) func(Entry) bool {
		return func(e Entry) bool { return e.Store == p.Store && e.Root == p.Root && e.Op == op }
	}
	add := func(op trust.Op) {
		if !slices.ContainsFunc(c.Owned, at(op)) {
			c.Owned = append(c.Owned, Entry{Store: p.Store, Root: p.Root, Op: op, Since: now.UTC().Truncate(time.Second), Policy: p.Policy})
		}
	}
	gone := len(s.Copies) == 0 && !s.Read && (s.State == trust.Absent || s.State == trust.Refused)
	switch p.Op {
	case trust.Place:
		if slices.ContainsFunc(s.Copies, func(path string) bool { return !slices.Contains(p.Before, path) }) {
			add(trust.Place)
		}
		if s.State != trust.Absent {
			c.forget(p.Store, p.Root)
		}
	case trust.Block:
		// Whether it is gone by now is another matter: a run may have died in
		// between, and the next one must not take our block for somebody's.
		if (s.Refused || s.State == trust.Refused) && !p.Was {
			add(trust.Block)
		}
	case trust.Unblock:
		if !s.Refused && s.State != trust.Refused {
			c.Owned = slices.DeleteFunc(c.Owned, at(trust.Block))
		}
	}
	if p.Op != trust.Place && gone {
		c.disown(p.Store, p.Root)
	}
	if p.How != "" && gone {
		c.bury(Tombstone{Store: p.Store, Root: p.Root, Since: now.UTC().Truncate(time.Second), Policy: p.Policy, How: p.How})
	}
	slices.SortFunc(c.Owned, func(a, b Entry) int {
		return cmp.Or(cmp.Compare(a.Store, b.Store), bytes.Compare(a.Root[:], b.Root[:]), cmp.Compare(a.Op, b.Op))
	})
}

func (c content) clone() content {
	c.Owned, c.Pending = slices.Clone(c.Owned), slices.Clone(c.Pending)
	c.Gone, c.Lingering = slices.Clone(c.Gone), slices.Clone(c.Lingering)
	return c
}

func (l *Ledger) save(next content) error {
	next.Schema = next.form()
	data, err := json.MarshalIndent(next, "", " ")
	if err != nil {
		return fmt.Errorf("cannot encode the ledger: %w", err)
	}
	if err := l.dir.Write(File, append(data, '\n'), 0o600); err != nil {
		return fmt.Errorf("cannot write the ledger, so nothing is changed: %w", err)
	}
	l.c = next
	return nil
}

// Check reports a ledger that contradicts itself.
func Check(l *Ledger) error {
	seen := map[string]bool{}
	for _, e := range l.c.Owned {
		k := string(e.Store) + string(e.Op) + e.Root.String()
		if seen[k] || e.Root.IsZero() || e.Op != trust.Place && e.Op != trust.Block {
			return fmt.Errorf("the ledger contradicts itself at %s of %s in store %s", e.Op, e.Root.Short(), e.Store)
		}
		seen[k] = true
	}
	for i, t := range l.c.Gone {
		again := slices.ContainsFunc(l.c.Gone[:i], func(o Tombstone) bool { return o.Store == t.Store && o.Root == t.Root })
		if t.Root.IsZero() || t.How == "" || again || l.Placed(t.Store, t.Root) {
			return fmt.Errorf("the ledger contradicts itself: it says that %s is gone from store %s", t.Root.Short(), t.Store)
		}
	}
	for _, p := range l.c.Pending {
		if p.Seq == 0 || p.Seq > l.c.Seq || p.Root.IsZero() {
			return fmt.Errorf("the ledger contradicts itself at pending change %d", p.Seq)
		}
	}
	return nil
}
