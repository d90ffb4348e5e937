//go:build linux

package faults_test

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/trust"
)

// state is the agent's folder for whoever only looks.
type state struct{}

var errReadOnly = errors.New("only looked at")

func (state) Read(name string, max int64) ([]byte, error) {
	return os.ReadFile(filepath.Join(stateDir, name))
}
func (state) Write(string, []byte, fs.FileMode) error  { return errReadOnly }
func (state) Append(string, []byte, fs.FileMode) error { return errReadOnly }

// told is the ledger and the history as they stand.
type told struct {
	*ledger.Ledger
	events  []ledger.Event
	damaged int
}

func readLedger() (told, error) {
	l, err := ledger.Open(state{})
	if err != nil {
		return told{}, err
	}
	events, damaged, err := ledger.History(state{})
	return told{l, events, damaged}, err
}

// truth compares what the ledger says with what lies in the store: whatever is
// ours is recorded or under way, whatever is recorded is there or under way.
func truth(now tree, torn int) error {
	l, err := readLedger()
	if err != nil {
		return err
	}
	if l.damaged > torn {
		return fmt.Errorf("%d lines of the history cannot be read", l.damaged)
	}
	underWay := func(short string) bool {
		return slices.ContainsFunc(l.Pending(), func(p ledger.Pending) bool { return strings.HasPrefix(p.Root.String(), short) })
	}
	ours := map[string]bool{}
	for name := range now {
		short, ok := strings.CutPrefix(name, localDir+"/anchorhold-")
		if !ok || !strings.HasSuffix(short, ".crt") {
			continue
		}
		short = strings.TrimSuffix(short, ".crt")
		ours[short] = true
		owned := slices.ContainsFunc(l.Owned(), func(e ledger.Entry) bool {
			return e.Op == trust.Place && strings.HasPrefix(e.Root.String(), short)
		})
		if !owned && !underWay(short) {
			return fmt.Errorf("%s is ours, and the ledger does not know it", name)
		}
	}
	for _, e := range l.Owned() {
		short := e.Root.String()[:32]
		if e.Op == trust.Place && !ours[short] && !underWay(short) {
			return fmt.Errorf("the ledger claims a copy of %s, and there is none", short)
		}
	}
	refused := strings.Contains("\n"+now[confFile].text, "\n!")
	blocks := slices.ContainsFunc(l.Owned(), func(e ledger.Entry) bool { return e.Op == trust.Block })
	changing := slices.ContainsFunc(l.Pending(), func(p ledger.Pending) bool { return p.Op == trust.Block || p.Op == trust.Unblock })
	if refused != blocks && !changing {
		return fmt.Errorf("conf refuses a root: %v, the ledger says %v", refused, blocks)
	}
	return nil
}

// whole judges a store at any moment: the bundle is one of those that an
// uninjured run has, and a lookup finds every root that stays.
func whole(now tree, bundles map[string]bool, stays []authority) error {
	b, there := now[bundle]
	if !there || !bundles[b.text] {
		return fmt.Errorf("the bundle of %d bytes is neither the old nor the new one", len(b.text))
	}
	if b.mode.Perm() != 0o644 {
		return fmt.Errorf("the bundle has mode %v", b.mode)
	}
	for _, r := range stays {
		if err := lookup(watched{r.sha, r.hash}); err != nil {
			return err
		}
	}
	return nil
}

// remembered compares what the ledger and the history say in the end with what
// they say after an uninjured run. seen wants the same to have been observed:
// where others were at work the last step of a change may have been theirs.
func (g goal) remembered(seen bool) error {
	l, err := readLedger()
	if err != nil {
		return err
	}
	if n := len(l.Pending()); n > 0 {
		return fmt.Errorf("%d changes are still under way", n)
	}
	if a, b := owned(l), owned(g.ledger); !slices.Equal(a, b) {
		return fmt.Errorf("the ledger has %v, not %v", a, b)
	}
	for _, want := range g.ledger.events {
		if !slices.ContainsFunc(l.events, func(e ledger.Event) bool {
			return e.Root == want.Root && e.Op == want.Op && (e.State == want.State || !seen)
		}) {
			return fmt.Errorf("the history does not tell of %s %s, seen %s", want.Op, want.Root.Short(), want.State)
		}
	}
	return nil
}

func owned(l told) []string {
	var all []string
	for _, e := range l.Owned() {
		all = append(all, fmt.Sprint(e.Store, e.Op, e.Root))
	}
	return all
}
