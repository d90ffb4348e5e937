package source

import (
	"context"
	"crypto/sha256"
	"errors"
	"io/fs"
	"testing"
	"testing/synctest"
	"time"

	"anchorhold.test/anchorhold/policy"
)

const address = "http://policy.harbour.test/harbour.policy"

// shelf is a state folder in memory.
type shelf map[string][]byte

func (s shelf) Read(name string, max int64) ([]byte, error) {
	if data, ok := s[name]; ok {
		return data, nil
	}
	return nil, fs.ErrNotExist
}

func (s shelf) Write(name string, data []byte, perm fs.FileMode) error {
	s[name] = data
	return nil
}

// stand is a source by the web whose answers a test gives, and whose time
// passes by itself.
type stand struct {
	*Web
	shelf  shelf
	sound  bool // the copy that is kept verifies
	answer Answer
	fails  error
	asked  []Question
	at     []time.Duration // since the start
}

func newStand() *stand {
	s := &stand{shelf: shelf{}, sound: true, answer: Answer{Outcome: Fetched, Body: []byte("one"), ETag: `"1"`}}
	start := time.Now()
	s.Web = &Web{Address: address, Host: "00112233445566778899aabbccddeeff", Policy: "harbour",
		Ask: func(_ context.Context, q Question) (Answer, error) {
			s.asked = append(s.asked, q)
			s.at = append(s.at, time.Since(start))
			return s.answer, s.fails
		},
		Kept: func() (Record, bool) {
			rec, data, _ := Recall(s.shelf, s.Address)
			return rec, s.sound && data != nil
		},
		Keep: func(rec Record, data []byte) error { return rec.Keep(s.shelf, data) },
		Draw: func(most time.Duration) time.Duration { return most },
	}
	return s
}

func (s *stand) told(t *testing.T, most time.Duration) (Offer, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), most)
	defer cancel()
	return s.Next(ctx)
}

func TestThePaceOfAHost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStand()
		if o, err := s.told(t, bootMost+time.Second); err != nil || string(o.Data) != "one" || s.at[0] != bootMost {
			t.Fatalf("%q, %v, %s", o.Data, err, s.at)
		}
		s.answer = Answer{Outcome: NoNews}
		s.asked, s.at = nil, nil
		if o, err := s.told(t, 10*time.Hour); !errors.Is(err, context.DeadlineExceeded) {
			t.Fatalf("told %+v, %v, although nothing is new", o, err)
		}
		if len(s.at) != 10 {
			t.Errorf("asked %d times in ten hours", len(s.at))
		}
		for i := range s.at {
			if i > 0 && s.at[i]-s.at[i-1] != time.Hour {
				t.Errorf("asked %s", s.at)
			}
			if s.asked[i].ETag != `"1"` {
				t.Errorf("asked with %q", s.asked[i].ETag)
			}
		}
		s.answer = Answer{Outcome: Fetched, Body: []byte("the other")}
		if o, err := s.told(t, time.Hour+time.Second); err != nil || o.Digest != sha256.Sum256([]byte("the other")) {
			t.Errorf("%+v, %v", o, err)
		}
	})
}

func TestFailuresInARow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStand()
		s.answer = Answer{Outcome: Failed, Code: NoAnswer, Reason: "refused"}
		_, err := s.told(t, time.Hour)
		var u *Unreachable
		if !errors.As(err, &u) || u.Code != NoAnswer || u.Where != address || u.Next == "" {
			t.Fatal(err)
		}
		since := u.Since
		if _, err := s.told(t, 2*time.Hour); !errors.Is(err, context.DeadlineExceeded) {
			t.Fatalf("told again: %v", err)
		}
		for i, want := range []time.Duration{time.Minute, 2 * time.Minute, 4 * time.Minute, 8 * time.Minute, retryMost, retryMost} {
			if got := s.at[i+1] - s.at[i]; got != want {
				t.Errorf("failure %d: %s, want %s", i+1, got, want)
			}
		}
		s.answer.Code = BadStatus // another reason is news, the time stays
		if _, err := s.told(t, time.Hour); !errors.As(err, &u) || u.Code != BadStatus || !u.Since.Equal(since.Truncate(time.Second)) {
			t.Fatalf("%v, since %s, want %s", err, u.Since, since)
		}
		s.answer = Answer{Outcome: Fetched, Body: []byte("one")}
		if o, err := s.told(t, time.Hour); err != nil || string(o.Data) != "one" {
			t.Fatalf("%q, %v", o.Data, err)
		}
		// And it is back in its place.
		n := len(s.at)
		s.told(t, 3*time.Hour)
		if got := s.at[n+1] - s.at[n]; got != time.Hour {
			t.Errorf("%s after it came back", got)
		}
	})
}

func TestTheSourceAsksToWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, c := range []struct{ wait, want time.Duration }{
			{time.Hour, time.Hour + retryMost}, {10 * time.Minute, 20 * time.Minute}, {time.Second, time.Minute},
		} {
			s := newStand()
			s.answer = Answer{Outcome: Failed, Code: BadStatus, Reason: "429", Wait: c.wait}
			if _, err := s.told(t, time.Hour); err == nil {
				t.Fatal("no error")
			}
			s.told(t, 3*time.Hour)
			if got := s.at[1] - s.at[0]; got != c.want {
				t.Errorf("asked to wait %s: waited %s, want %s", c.wait, got, c.want)
			}
		}
	})
}

// The source may say "no news" only of a copy that verifies.
func TestACopyThatIsSpoilt(t *testing.T) {
	s := newStand()
	once := func() Question {
		t.Helper()
		if _, err := s.Once(t.Context(), false); err != nil {
			t.Fatal(err)
		}
		return s.asked[len(s.asked)-1]
	}
	if q := once(); q.ETag != "" {
		t.Errorf("nothing is kept, and %q is sent", q.ETag)
	}
	if q := once(); q.ETag != `"1"` {
		t.Errorf("%q is sent", q.ETag)
	}
	s.sound = false
	if q := once(); q.ETag != "" {
		t.Errorf("the copy does not verify, and %q is sent", q.ETag)
	}
	s.sound = true
	s.shelf[CopyFile] = []byte("spoilt")
	if q := once(); q.ETag != "" {
		t.Errorf("the copy is spoilt, and %q is sent", q.ETag)
	}
	s.shelf[RecordFile] = []byte("spoilt")
	if q := once(); q.ETag != "" {
		t.Errorf("the record is spoilt, and %q is sent", q.ETag)
	}
	s.Address = "http://policy.harbour.test/other.policy"
	if q := once(); q.ETag != "" {
		t.Errorf("another source, and %q is sent", q.ETag)
	}
}

func TestWhatIsRemembered(t *testing.T) {
	s := newStand()
	if _, err := s.Once(t.Context(), false); err != nil {
		t.Fatal(err)
	}
	rec, data, err := Recall(s.shelf, address)
	if err != nil || string(data) != "one" || rec.Fetched.IsZero() || rec.Checked.IsZero() || rec.Trouble() != nil {
		t.Fatalf("%+v, %q, %v", rec, data, err)
	}
	s.answer = Answer{Outcome: Failed, Code: BadStatus, Reason: "it answered 404 Not Found"}
	if _, err := s.Once(t.Context(), false); err == nil {
		t.Fatal("no error")
	}
	gone, data, err := Recall(s.shelf, address)
	var u *Unreachable
	if err != nil || string(data) != "one" || !errors.As(gone.Trouble(), &u) || u.Code != BadStatus || !gone.Fetched.Equal(rec.Fetched) || gone.ETag != rec.ETag {
		t.Fatalf("%+v, %q, %v", gone, data, err)
	}
	s.answer = Answer{Outcome: NoNews, Unverified: "unknown authority"}
	o, err := s.Once(t.Context(), true)
	if err != nil || !o.Same || o.Unverified == "" || o.Digest != sha256.Sum256([]byte("one")) || !s.asked[2].Fresh {
		t.Fatalf("%+v, %v", o, err)
	}
	if back, _, _ := Recall(s.shelf, address); back.Trouble() != nil || back.Unverified == "" {
		t.Errorf("%+v", back)
	}
	s.answer = Answer{Outcome: TooLarge}
	if _, err := s.Once(t.Context(), false); policy.CodeOf(err) != policy.CodeTooLarge {
		t.Errorf("%v", err)
	}
	if rec, _, _ := Recall(s.shelf, address); policy.CodeOf(rec.Trouble()) != policy.CodeTooLarge || !rec.Since.IsZero() {
		t.Errorf("%+v", rec)
	}
	s.fails = errors.New("no such program")
	if _, err := s.Once(t.Context(), false); !errors.As(err, &u) || u.Code != NoChild {
		t.Errorf("%v", err)
	}
	if _, data, _ := Recall(s.shelf, "http://policy.harbour.test/other"); data != nil {
		t.Error("the copy of another source")
	}
}

// What is called off says nothing of the source.
func TestCalledOff(t *testing.T) {
	s := newStand()
	ctx, cancel := context.WithCancel(t.Context())
	s.Web.Ask = func(context.Context, Question) (Answer, error) {
		cancel()
		return Answer{}, context.Canceled
	}
	if _, err := s.Once(ctx, false); !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
	if len(s.shelf) != 0 {
		t.Errorf("%d files are kept", len(s.shelf))
	}
}

func TestTransportIsNews(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newStand()
		if _, err := s.told(t, time.Hour); err != nil {
			t.Fatal(err)
		}
		s.answer = Answer{Outcome: NoNews, Unverified: "expired"}
		if o, err := s.told(t, 2*time.Hour); err != nil || !o.Same || o.Unverified != "expired" {
			t.Fatalf("%+v, %v", o, err)
		}
		if o, err := s.told(t, 5*time.Hour); !errors.Is(err, context.DeadlineExceeded) {
			t.Fatalf("%+v, %v", o, err)
		}
	})
}

func TestRecordsThatAreNone(t *testing.T) {
	for _, bad := range []string{"", "{}", `{"schema":2}`, `{"schema":1,"sha256":"00"}`, `{"schema":1,"who":"x"}`, `{"schema":1}{}`} {
		if _, err := parseRecord([]byte(bad)); err == nil {
			t.Errorf("%q was taken", bad)
		}
	}
}
