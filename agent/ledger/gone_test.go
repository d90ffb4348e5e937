package ledger

import (
	"bytes"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
)

func leave(t *testing.T, l *Ledger, op trust.Op, how How, s Seen) {
	t.Helper()
	in := Intent{Change: trust.Change{Store: trust.Machine, Op: op, Root: trust.Root{Fingerprint: fp}, Why: "because"}, How: how}
	if err := l.Begin([]Intent{in}, "harbour 0.1", now); err != nil {
		t.Fatal(err)
	}
	p := l.Pending()
	s.Pending = p[len(p)-1]
	end(t, l, s)
}

func TestATombstoneNeedsObservedAbsence(t *testing.T) {
	m := &mem{files: map[string][]byte{}}
	l := open(t, m)
	leave(t, l, trust.Withdraw, Moved, Seen{Status: "done", State: trust.Incomplete})
	if _, gone := l.Gone(trust.Machine, fp); gone {
		t.Fatal("it counts as gone, and it lingers")
	}
	leave(t, l, trust.Withdraw, Deadline, Seen{Status: "failed", State: trust.Absent})
	stone, gone := open(t, m).Gone(trust.Machine, fp) // a new process
	if !gone || stone.How != Deadline || !stone.Decided() || !stone.Since.Equal(now) || stone.Policy != "harbour 0.1" {
		t.Fatalf("%+v %v", stone, gone)
	}
	leave(t, l, trust.Block, Distrusted, Seen{Status: "done", State: trust.Refused, Refused: true})
	if stone, _ := l.Gone(trust.Machine, fp); stone.How != Distrusted {
		t.Errorf("the later decision counts: %+v", stone)
	}
	end(t, l, Seen{Pending: begin(t, l, trust.Place), Status: "done", State: trust.Placed, Copies: []string{"/s/ours.crt"}})
	if _, gone := l.Gone(trust.Machine, fp); gone {
		t.Error("it was placed and counts as gone")
	}
	events, _, err := History(m)
	if err != nil || events[1].How != Deadline || events[3].How != "" {
		t.Errorf("%+v %v", events, err)
	}
}

func TestNotice(t *testing.T) {
	m := &mem{files: map[string][]byte{}}
	l := open(t, m)
	notice := func(leaves, there bool, at time.Time) (wrote int) {
		t.Helper()
		before := len(m.log)
		if err := l.Notice([]Noticed{{trust.Machine, fp, leaves, there}}, "harbour 0.2", at); err != nil {
			t.Fatal(err)
		}
		return len(m.log) - before
	}
	if n := notice(true, false, now); n != 0 {
		t.Errorf("a root that nobody ever saw: %d writes", n)
	}
	if _, gone := l.Gone(trust.Machine, fp); gone {
		t.Error("never seen, and gone")
	}
	if n := notice(true, true, now); n != 1 {
		t.Errorf("seen: %d writes", n)
	}
	if n := notice(true, true, now.Add(time.Hour)); n != 0 {
		t.Errorf("seen again: %d writes", n)
	}
	l = open(t, m) // a new process
	if n := notice(true, false, now.Add(2*time.Hour)); n != 2 {
		t.Errorf("found gone: %d writes", n)
	}
	stone, gone := l.Gone(trust.Machine, fp)
	if !gone || stone.How != Found || stone.Decided() || !stone.Since.Equal(now.Add(2*time.Hour)) || stone.Policy != "harbour 0.2" {
		t.Fatalf("%+v %v", stone, gone)
	}
	if events, _, _ := History(m); len(events) != 1 || events[0].Op != Vanish || events[0].Root != fp {
		t.Errorf("%+v", events)
	}
	if n := notice(true, false, now.Add(3*time.Hour)); n != 0 {
		t.Errorf("still gone: %d writes", n)
	}
	if n := notice(false, false, now); n != 1 {
		t.Errorf("wanted again: %d writes", n)
	}
	if _, gone := l.Gone(trust.Machine, fp); gone {
		t.Error("wanted again, and gone")
	}
}

// What was ours and was taken out by somebody is ours no longer, once it is to
// go; the decision of before stays the one that counts.
func TestOursTakenOutByOthers(t *testing.T) {
	l := open(t, &mem{files: map[string][]byte{}})
	end(t, l, Seen{Pending: begin(t, l, trust.Place), State: trust.Placed, Copies: []string{"/s/ours.crt"}})
	if err := l.Notice([]Noticed{{trust.Machine, fp, true, false}}, "harbour 0.2", now); err != nil {
		t.Fatal(err)
	}
	if stone, _ := l.Gone(trust.Machine, fp); l.Placed(trust.Machine, fp) || stone.How != Found {
		t.Fatalf("owned %v, %+v", l.Owned(), stone)
	}
	leave(t, l, trust.Withdraw, Moved, Seen{Status: "done", State: trust.Absent})
	for _, there := range []bool{true, false} {
		if err := l.Notice([]Noticed{{trust.Machine, fp, true, there}}, "harbour 0.2", now.Add(time.Hour)); err != nil {
			t.Fatal(err)
		}
	}
	if stone, _ := l.Gone(trust.Machine, fp); stone.How != Moved || !stone.Since.Equal(now) {
		t.Errorf("%+v", stone)
	}
}

// An older version reads the ledger as long as nothing in it is new to it, and
// this one reads what an older one wrote.
func TestTheLowestSchemaThatFits(t *testing.T) {
	m := &mem{files: map[string][]byte{}}
	l := open(t, m)
	end(t, l, Seen{Pending: begin(t, l, trust.Place), State: trust.Placed, Copies: []string{"/s/ours.crt"}})
	if !bytes.Contains(m.files[File], []byte(`"schema": 1,`)) || bytes.Contains(m.files[File], []byte("gone")) {
		t.Fatalf("%s", m.files[File])
	}
	l = open(t, m)
	leave(t, l, trust.Withdraw, Moved, Seen{Status: "done", State: trust.Absent})
	if !bytes.Contains(m.files[File], []byte(`"schema": 2,`)) {
		t.Fatalf("%s", m.files[File])
	}
	end(t, l, Seen{Pending: begin(t, l, trust.Place), State: trust.Placed, Copies: []string{"/s/ours.crt"}})
	if !bytes.Contains(m.files[File], []byte(`"schema": 1,`)) {
		t.Fatalf("%s", m.files[File])
	}
}
