package source

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/host"
)

// DefaultPoll is how often a watched file is looked at although nothing was
// heard of it: file systems that other machines write to tell nothing, and a
// mount over the folder does not either.
const DefaultPoll = time.Minute

// lookLimit bounds one look: a share whose server is gone answers never.
const lookLimit = 30 * time.Second

// File is a watched file. Its content alone decides: however the file was
// replaced, the same bytes wake nobody. It is used by one goroutine.
type File struct {
	Path string // absolute
	// Read reads a regular file of at most max bytes, as [host.Host.ReadFile]
	// does.
	Read func(name string, max int64) ([]byte, error)
	Poll time.Duration // DefaultPoll where 0

	open    func() (eyes, error) // the system's where nil
	eyes    eyes
	watched watched
	trail   trail
	lost    lost
	looking chan seen // a look under way
	last    state
	since   time.Time // when it became unreachable
}

// seen is what one look at the file brought.
type seen struct {
	at    time.Time
	data  []byte
	err   error
	eyes  eyes
	trail trail
	note  string
}

// Next implements [Source]: at first it returns what is there, then what is
// new.
func (f *File) Next(ctx context.Context) (Offer, error) {
	for {
		if f.last.told {
			if err := f.wait(ctx); err != nil {
				return Offer{}, err
			}
		}
		s, err := f.look(ctx)
		if err == nil && f.last.told && f.last.code == "" && errors.Is(s.err, fs.ErrNotExist) {
			// Between two links, or between a removal and the next file.
			if err = pause(ctx, settleGone); err == nil {
				s, err = f.look(ctx)
			}
		}
		if err != nil {
			return Offer{}, err
		}
		if o, err, news := f.judge(s); news {
			return o, err
		}
	}
}

// Close ends the watching. No call of Next may be under way.
func (f *File) Close() error {
	if f.looking != nil { // it may never end, and is not waited for
		go func(l <-chan seen) {
			if s := <-l; s.eyes != nil {
				s.eyes.Close()
			}
		}(f.looking)
		f.looking = nil
	}
	if f.eyes == nil {
		return nil
	}
	return f.eyes.Close()
}

func (f *File) poll() time.Duration {
	if f.Poll > 0 {
		return f.Poll
	}
	return DefaultPoll
}

// judge turns a look into what the caller is told, and says whether that is
// anything new.
func (f *File) judge(s seen) (Offer, error, bool) {
	now := state{told: true, note: s.note}
	var o Offer
	var err error
	switch {
	case errors.Is(s.err, host.ErrTooLarge):
		now.code, err = Code(policy.CodeTooLarge), policy.TooLarge(f.Path)
	case s.err != nil:
		u := f.unreachable(s)
		now.code, err = u.Code, u
	default:
		o = Offer{Data: s.data, Digest: sha256.Sum256(s.data), At: s.at}
		now.digest = o.Digest
	}
	if s.note != "" {
		o.Notes = []string{s.note}
	}
	if s.err == nil || errors.Is(s.err, host.ErrTooLarge) {
		f.since = time.Time{}
	}
	news := now.digest != f.last.digest || now.code != f.last.code || !f.last.told
	if news {
		f.last = now
	}
	return o, err, news
}

func (f *File) unreachable(s seen) *Unreachable {
	if f.since.IsZero() {
		f.since = s.at
	}
	u := &Unreachable{Where: f.Path, Since: f.since, Code: NotReadable, Reason: s.err.Error(), Next: "mend what keeps it from being read"}
	if errors.Is(s.err, fs.ErrNotExist) {
		u.Code, u.Reason, u.Next = NoFile, "there is no such file", "put the policy there"
	}
	return u
}

// look looks at the file once. Where that does not end within the limit, the
// look goes on alone, and no second one is begun beside it.
func (f *File) look(ctx context.Context) (seen, error) {
	if f.looking == nil {
		f.looking = make(chan seen, 1)
		e, l := f.eyes, f.lost
		f.eyes, f.lost = nil, lost{} // they are the look's until it ends
		go func(done chan<- seen) { done <- f.sight(e, l) }(f.looking)
	}
	limit := time.NewTimer(lookLimit)
	defer limit.Stop()
	select {
	case s := <-f.looking:
		f.looking, f.eyes, f.trail = nil, s.eyes, s.trail
		return s, nil
	case <-limit.C:
		return seen{at: time.Now(), err: fmt.Errorf("its file system did not answer within %s", lookLimit)}, nil
	case <-ctx.Done():
		return seen{}, ctx.Err()
	}
}

// watchRounds bounds how often the way to a file is walked anew because it
// changed while it was being walked.
const watchRounds = 4

// sight watches what decides, then reads: what changes after that is heard.
func (f *File) sight(e eyes, lost lost) seen {
	s := seen{eyes: e}
	if s.eyes == nil {
		s.eyes, s.note = f.openEyes()
	}
	if s.eyes == nil {
		s.trail = follow(f.Path)
	} else {
		f.watched.forget(s.eyes, lost)
		for range watchRounds {
			s.trail, s.note = follow(f.Path), ""
			added, err := f.watched.sync(s.eyes, s.trail)
			if err != nil {
				s.note = polled(err)
			}
			if !added {
				break
			}
		}
	}
	s.at = time.Now()
	s.data, s.err = f.Read(f.Path, policy.MaxFile)
	return s
}

func (f *File) openEyes() (eyes, string) {
	open := f.open
	if open == nil {
		open = openSystem
	}
	e, err := open()
	if err != nil {
		return nil, polled(err)
	}
	f.watched = watched{}
	return e, ""
}
