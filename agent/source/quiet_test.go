package source

import (
	"context"
	"crypto/sha256"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/fsnotify/fsnotify"
)

// fakeEyes see what a test says.
type fakeEyes struct {
	events  chan fsnotify.Event
	errs    chan error
	refuse  error
	added   map[string]int
	removed int
}

func (f *fakeEyes) Add(dir string) error {
	if f.refuse == nil {
		f.added[dir]++
	}
	return f.refuse
}
func (f *fakeEyes) Remove(string) error           { f.removed++; return nil }
func (f *fakeEyes) Events() <-chan fsnotify.Event { return f.events }
func (f *fakeEyes) Errors() <-chan error          { return f.errs }
func (f *fakeEyes) Close() error                  { return nil }

// desk is a watched file in a bubble where time passes by itself.
type desk struct {
	*File
	eyes  *fakeEyes
	looks atomic.Int64
	text  atomic.Value // string; "" is a file that is not there
	path  string
}

func newDesk(path, text string) *desk {
	d := &desk{path: path, eyes: &fakeEyes{events: make(chan fsnotify.Event), errs: make(chan error), added: map[string]int{}}}
	d.text.Store(text)
	d.File = &File{Path: path, open: func() (eyes, error) { return d.eyes, nil },
		Read: func(string, int64) ([]byte, error) {
			d.looks.Add(1)
			if s := d.text.Load().(string); s != "" {
				return []byte(s), nil
			}
			return nil, fs.ErrNotExist
		}}
	return d
}

func inBubble(t *testing.T, test func(t *testing.T, d *desk)) {
	t.Helper()
	dir, err := filepath.EvalSymlinks(t.TempDir())
	must(t, err)
	path := filepath.Join(dir, "harbour.policy")
	put(t, path, "on disk")
	synctest.Test(t, func(t *testing.T) { test(t, newDesk(path, "one")) })
}

// told waits at most that long for news.
func (d *desk) told(t *testing.T, most time.Duration) (Offer, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), most)
	defer cancel()
	return d.Next(ctx)
}

func (d *desk) first(t *testing.T) {
	t.Helper()
	if o, err := d.told(t, time.Second); err != nil || o.Digest != sha256.Sum256([]byte("one")) {
		t.Fatalf("%q, %v", o.Data, err)
	}
	d.looks.Store(0)
}

func (d *desk) nothing(t *testing.T, most time.Duration) {
	t.Helper()
	if o, err := d.told(t, most); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("told %q, %v", o.Data, err)
	}
}

// At rest it wakes once a minute, and not for what happens beside the file.
func TestWakeUpsAtRest(t *testing.T) {
	inBubble(t, func(t *testing.T, d *desk) {
		d.first(t)
		go func() {
			for range 600 {
				time.Sleep(5 * time.Second)
				d.eyes.events <- fsnotify.Event{Name: d.path + ".swp", Op: fsnotify.Write}
			}
		}()
		d.nothing(t, time.Hour+time.Second)
		if n := d.looks.Load(); n != 60 {
			t.Errorf("%d looks in an hour", n)
		}
		// Of a folder that was unmounted nothing is heard: watches are renewed.
		if n := d.eyes.added[filepath.Dir(d.path)]; n != 61 {
			t.Errorf("watched %d times", n)
		}
	})
}

// A file that somebody never stops writing is read all the same, now and then.
func TestConstantWriting(t *testing.T) {
	inBubble(t, func(t *testing.T, d *desk) {
		d.first(t)
		go func() {
			for range 400 { // 20 seconds
				time.Sleep(50 * time.Millisecond)
				d.eyes.events <- fsnotify.Event{Name: d.path, Op: fsnotify.Write}
			}
		}()
		d.nothing(t, 30*time.Second)
		if n := d.looks.Load(); n < 8 || n > 11 {
			t.Errorf("%d looks in 20 seconds of writing", n)
		}
	})
}

func TestPollFindsWhatNobodyTold(t *testing.T) {
	for what, c := range map[string]struct {
		add, open error
		words     string
	}{
		"a share without events": {},
		"no watch left":          {add: &os.PathError{Op: "inotify_add_watch", Err: syscall.ENOSPC}, words: "max_user_watches"},
		"no watcher left":        {open: syscall.EMFILE, words: "max_user_instances"},
		"a folder to pass only":  {add: fs.ErrPermission, words: "cannot be watched"},
	} {
		t.Run(what, func(t *testing.T) {
			inBubble(t, func(t *testing.T, d *desk) {
				d.eyes.refuse = c.add
				if c.open != nil {
					d.open = func() (eyes, error) { return nil, c.open }
				}
				d.first(t)
				d.text.Store("the other")
				o, err := d.told(t, DefaultPoll+time.Second)
				if err != nil || string(o.Data) != "the other" {
					t.Fatalf("%q, %v", o.Data, err)
				}
				if notes := strings.Join(o.Notes, ""); (c.words == "") != (notes == "") || !strings.Contains(notes, c.words) {
					t.Errorf("notes %q", o.Notes)
				}
				// What was used up may be free again: each look tries anew.
				d.eyes.refuse, d.open = nil, func() (eyes, error) { return d.eyes, nil }
				d.text.Store("a third one")
				if o, err := d.told(t, DefaultPoll+time.Second); err != nil || len(o.Notes) != 0 {
					t.Errorf("%q, %v", o.Notes, err)
				}
				if len(d.eyes.added) == 0 {
					t.Error("nothing is watched")
				}
			})
		})
	}
}

// More events than the system keeps: every watch is made anew, and the file is
// looked at.
func TestLostEvents(t *testing.T) {
	inBubble(t, func(t *testing.T, d *desk) {
		d.first(t)
		before := d.eyes.added[filepath.Dir(d.path)]
		d.text.Store("the other")
		go func() { d.eyes.errs <- fsnotify.ErrEventOverflow }()
		if o, err := d.told(t, 10*time.Second); err != nil || string(o.Data) != "the other" {
			t.Fatalf("%q, %v", o.Data, err)
		}
		if n := d.eyes.added[filepath.Dir(d.path)]; n != before+1 {
			t.Errorf("watched %d times, %d before", n, before)
		}
	})
}

func TestMissingForAMoment(t *testing.T) {
	inBubble(t, func(t *testing.T, d *desk) {
		d.first(t)
		happens := func() { d.eyes.events <- fsnotify.Event{Name: d.path, Op: fsnotify.Remove} }
		d.text.Store("")
		go happens()
		go func() {
			time.Sleep(settleGone / 2)
			d.text.Store("one")
		}()
		d.nothing(t, 30*time.Second)

		d.text.Store("")
		go happens()
		var u *Unreachable
		if _, err := d.told(t, 10*time.Second); !errors.As(err, &u) || u.Code != NoFile {
			t.Fatalf("%v", err)
		}
		since := u.Since
		d.nothing(t, 10*time.Minute)
		if d.File.since != since {
			t.Error("it forgot since when")
		}
	})
}

// A share whose server is gone: the look never ends, no second one begins
// beside it, and it goes on where it left off.
func TestAFileSystemThatHangs(t *testing.T) {
	inBubble(t, func(t *testing.T, d *desk) {
		d.first(t)
		back := make(chan struct{})
		read := d.Read
		d.Read = func(name string, max int64) ([]byte, error) {
			d.looks.Add(1)
			<-back
			return read(name, max)
		}
		var u *Unreachable
		if _, err := d.told(t, 2*time.Minute); !errors.As(err, &u) || u.Code != NotReadable {
			t.Fatalf("%v", err)
		}
		d.nothing(t, time.Hour)
		if n := d.looks.Load(); n != 1 {
			t.Errorf("%d looks side by side", n)
		}
		close(back)
		if o, err := d.told(t, 2*time.Minute); err != nil || string(o.Data) != "one" {
			t.Fatalf("%q, %v", o.Data, err)
		}
	})
}
