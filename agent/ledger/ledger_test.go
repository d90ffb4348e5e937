package ledger

import (
	"bytes"
	"errors"
	"io/fs"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// mem is a state folder in memory that can be told to fail.
type mem struct {
	files map[string][]byte
	fail  error
	log   []string
}

func (m *mem) Read(name string, max int64) ([]byte, error) {
	data, ok := m.files[name]
	if !ok {
		return nil, fs.ErrNotExist
	}
	if int64(len(data)) > max {
		return nil, errors.New("too large")
	}
	return data, nil
}

func (m *mem) Write(name string, data []byte, _ fs.FileMode) error {
	if m.fail != nil {
		return m.fail
	}
	m.log = append(m.log, "write "+name)
	m.files[name] = bytes.Clone(data)
	return nil
}

func (m *mem) Append(name string, line []byte, _ fs.FileMode) error {
	if m.fail != nil {
		return m.fail
	}
	m.log = append(m.log, "append "+name)
	m.files[name] = append(m.files[name], line...)
	return nil
}

var (
	now = time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)
	fp  = root.Of([]byte("a root of Harbour"))
)

func open(t *testing.T, m *mem) *Ledger {
	t.Helper()
	l, err := Open(m)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := Check(l); err != nil {
			t.Error(err)
		}
	})
	return l
}

func begin(t *testing.T, l *Ledger, op trust.Op, before ...string) Pending {
	t.Helper()
	in := Intent{Change: trust.Change{Store: trust.Machine, Op: op, Root: trust.Root{Fingerprint: fp}, Why: "because"}, Before: before}
	if err := l.Begin([]Intent{in}, "harbour 0.1", now); err != nil {
		t.Fatal(err)
	}
	p := l.Pending()
	return p[len(p)-1]
}

func end(t *testing.T, l *Ledger, s Seen) {
	t.Helper()
	if err := l.End([]Seen{s}, now); err != nil {
		t.Fatal(err)
	}
}

func TestOurCopyIsOurs(t *testing.T) {
	m := &mem{files: map[string][]byte{}}
	l := open(t, m)
	p := begin(t, l, trust.Place)
	if l.Placed(trust.Machine, fp) {
		t.Error("claimed before it was seen")
	}
	end(t, l, Seen{Pending: p, Status: "done", State: trust.Placed, Copies: []string{"/s/ours.crt"}})
	l = open(t, m) // a new process
	if !l.Placed(trust.Machine, fp) || len(l.Pending()) != 0 {
		t.Fatalf("owned %v, pending %v", l.Owned(), l.Pending())
	}
}

func TestACopyByHandStaysByHand(t *testing.T) {
	l := open(t, &mem{files: map[string][]byte{}})
	p := begin(t, l, trust.Place, "/s/theirs.crt") // mended, say
	end(t, l, Seen{Pending: p, Status: "done", State: trust.Placed, Copies: []string{"/s/theirs.crt"}})
	if l.Placed(trust.Machine, fp) {
		t.Fatal("somebody's copy became ours")
	}
}

func TestAnInterruptedPlaceIsNotForgotten(t *testing.T) {
	m := &mem{files: map[string][]byte{}}
	begin(t, open(t, m), trust.Place)
	l := open(t, m) // died in between
	p := l.Pending()
	if len(p) != 1 || p[0].Root != fp {
		t.Fatalf("pending %v", p)
	}
	// A second try must not take our own first copy for somebody's.
	p2 := begin(t, l, trust.Place, "/s/ours.crt")
	end(t, l, Seen{Pending: p2, Status: "done", State: trust.Placed, Copies: []string{"/s/ours.crt"}})
	if !l.Placed(trust.Machine, fp) {
		t.Fatal("our own copy was taken for somebody's")
	}
}

func TestAnEntryLeavesOnlyWithObservedAbsence(t *testing.T) {
	l := open(t, &mem{files: map[string][]byte{}})
	end(t, l, Seen{Pending: begin(t, l, trust.Place), State: trust.Placed, Copies: []string{"/s/ours.crt"}})
	end(t, l, Seen{Pending: begin(t, l, trust.Withdraw), Status: "done", State: trust.Incomplete})
	if !l.Placed(trust.Machine, fp) {
		t.Fatal("forgotten while it still lingers")
	}
	end(t, l, Seen{Pending: begin(t, l, trust.Withdraw), Status: "done", State: trust.Absent})
	if l.Placed(trust.Machine, fp) {
		t.Fatal("remembered although gone")
	}
}

func TestUnblockEndsOurBlock(t *testing.T) {
	l := open(t, &mem{files: map[string][]byte{}})
	end(t, l, Seen{Pending: begin(t, l, trust.Block), State: trust.Refused})
	if !l.Blocked(trust.Machine, fp) {
		t.Fatal("the block is not ours")
	}
	end(t, l, Seen{Pending: begin(t, l, trust.Unblock), State: trust.Absent})
	if l.Blocked(trust.Machine, fp) {
		t.Fatal("the block was undone and is still claimed")
	}
}

func TestUnreadableIsAnErrorNeverEmpty(t *testing.T) {
	for name, data := range map[string]string{
		"torn":           `{"schema":1,"seq":1,"owned":[{"store":"mach`,
		"other schema":   `{"schema":3,"seq":0,"owned":null,"pending":null}`,
		"empty":          "",
		"unknown":        `{"schema":1,"seq":0,"owned":null,"pending":null,"more":1}`,
		"twice the same": `{"schema":1,"seq":1,"owned":[{"store":"machine","sha256":"` + fp.String() + `","op":"place","since":"2026-11-25T10:00:00Z","policy":"p"},{"store":"machine","sha256":"` + fp.String() + `","op":"place","since":"2026-11-25T10:00:00Z","policy":"p"}],"pending":null}`,
	} {
		if _, err := Open(&mem{files: map[string][]byte{File: []byte(data)}}); err == nil {
			t.Errorf("%s: opened", name)
		}
	}
}

func TestNothingIsBegunUnwritten(t *testing.T) {
	m := &mem{files: map[string][]byte{}, fail: errors.New("disk full")}
	l := open(t, m)
	err := l.Begin([]Intent{{Change: trust.Change{Store: trust.Machine, Op: trust.Place, Root: trust.Root{Fingerprint: fp}}}}, "p", now)
	if !errors.Is(err, m.fail) || len(l.Pending()) != 0 {
		t.Fatalf("error %v, pending %v", err, l.Pending())
	}
}

func TestHistorySurvivesDamage(t *testing.T) {
	m := &mem{files: map[string][]byte{}}
	l := open(t, m)
	end(t, l, Seen{Pending: begin(t, l, trust.Place), Status: "done", State: trust.Placed, Copies: []string{"/s/o"}, Proven: []string{"nobody"}})
	m.files[HistoryFile] = append(m.files[HistoryFile], "{\"time\":\"20\n"...)
	end(t, l, Seen{Pending: begin(t, l, trust.Withdraw), Status: "failed", State: trust.Incomplete, Error: "java"})
	events, damaged, err := History(m)
	if err != nil || damaged != 1 || len(events) != 2 {
		t.Fatalf("%v, damaged %d, error %v", events, damaged, err)
	}
	if e := events[1]; e.Op != trust.Withdraw || e.Error != "java" || e.Why != "because" || e.Policy != "harbour 0.1" {
		t.Fatalf("lost in the history: %+v", e)
	}
}

func TestHistoryIsWrittenBeforeTheLedgerForgets(t *testing.T) {
	m := &mem{files: map[string][]byte{}}
	l := open(t, m)
	p := begin(t, l, trust.Place)
	m.log = nil
	end(t, l, Seen{Pending: p, State: trust.Placed, Copies: []string{"/s/o"}})
	if len(m.log) != 2 || m.log[0] != "append "+HistoryFile || m.log[1] != "write "+File {
		t.Fatalf("order %v", m.log)
	}
}

// Somebody's own refusal stays theirs: what the store refused before our block
// is not ours to undo.
func TestSomebodysBlockStaysTheirs(t *testing.T) {
	l := open(t, &mem{files: map[string][]byte{}})
	in := Intent{Change: trust.Change{Store: trust.Machine, Op: trust.Block, Root: trust.Root{Fingerprint: fp}}, Refused: true}
	if err := l.Begin([]Intent{in}, "harbour 0.1", now); err != nil {
		t.Fatal(err)
	}
	end(t, l, Seen{Pending: l.Pending()[0], Status: "done", State: trust.Refused})
	if l.Blocked(trust.Machine, fp) {
		t.Error("an administrator's own refusal became ours")
	}
}

// A run died when the store refused the root and still held a copy. The next
// one begins again, finds it refused, and must know that this was us.
func TestAnInterruptedBlockIsOurs(t *testing.T) {
	l := open(t, &mem{files: map[string][]byte{}})
	end(t, l, Seen{Pending: begin(t, l, trust.Block), Status: "interrupted", State: trust.Placed, Refused: true})
	if !l.Blocked(trust.Machine, fp) {
		t.Fatal("our own block was taken for somebody's")
	}
	end(t, l, Seen{Pending: begin(t, l, trust.Unblock), Status: "interrupted", State: trust.Placed, Refused: true})
	if !l.Blocked(trust.Machine, fp) {
		t.Fatal("forgotten although the store still refuses it")
	}
}
