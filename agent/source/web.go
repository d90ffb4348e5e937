package source

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"anchorhold.test/anchorhold/policy"
)

// Web is a policy at an address, asked for by HTTP or HTTPS at the pace of a
// fleet. It is used by one goroutine.
type Web struct {
	Address string
	Proxy   string        // [ProxyAddress]; the environment's is never taken
	CA      string        // PEM; the machine's own roots where empty
	Every   time.Duration // DefaultEvery where 0
	// Host and Policy give the host its place in the period ([Phase]). They
	// are not sent.
	Host, Policy string
	// Ask has a question answered: [Ask] with an account, mostly.
	Ask func(ctx context.Context, q Question) (Answer, error)
	// Kept returns what is remembered of the source, and whether the copy
	// that is kept verifies now: only then may the source answer "no news".
	Kept func() (rec Record, verifies bool)
	// Keep is called with what is to be remembered after each answer; data is
	// nil where the copy that is kept stays.
	Keep func(rec Record, data []byte) error
	// Draw returns a time from 0 to most; at random where nil.
	Draw func(most time.Duration) time.Duration
	Now  func() time.Time // what is remembered is dated by it; time.Now where nil

	began    bool
	failures int           // in a row
	asked    time.Duration // what the source asked to wait
	last     state
	doubt    string // of the last offer
}

// Next implements [Source].
func (w *Web) Next(ctx context.Context) (Offer, error) {
	for {
		if err := patience(ctx, w.pause()); err != nil {
			return Offer{}, err
		}
		o, err := w.Once(ctx, false)
		if ctx.Err() != nil {
			return Offer{}, ctx.Err()
		}
		if w.news(o, err) {
			return o, err
		}
	}
}

// Once asks now. fresh has caches on the way look again, for a person who
// waits for it.
func (w *Web) Once(ctx context.Context, fresh bool) (Offer, error) {
	rec, verifies := w.Kept()
	if rec.Address != w.Address {
		rec, verifies = Record{Address: w.Address}, false
	}
	q := Question{URL: w.Address, Proxy: w.Proxy, CA: w.CA, Fresh: fresh, Limits: Widest()}
	if verifies {
		q.ETag, q.Modified = rec.ETag, rec.Modified
	}
	a, err := w.Ask(ctx, q)
	if err != nil {
		a = Answer{Outcome: Failed, Code: NoChild, Reason: plain(err.Error())}
	}
	if ctx.Err() != nil { // called off, which says nothing of the source
		return Offer{}, ctx.Err()
	}
	now := time.Now()
	if w.Now != nil {
		now = w.Now()
	}
	o, next, told := w.judge(a, rec, now)
	w.failures, w.asked = w.failures+1, a.Wait
	if told == nil {
		w.failures = 0
	}
	if err := w.Keep(next, o.Data); err != nil {
		return Offer{}, fmt.Errorf("cannot keep what the source offers: %w", err)
	}
	return o, told
}

// judge turns an answer into what the caller is told, and what is remembered.
func (w *Web) judge(a Answer, rec Record, now time.Time) (Offer, Record, error) {
	o := Offer{At: now, Unverified: a.Unverified}
	switch a.Outcome {
	case Fetched:
		o.Data, o.Digest = a.Body, sha256.Sum256(a.Body)
		if rec.Digest != o.Digest || rec.Fetched.IsZero() {
			rec.Digest, rec.Fetched = o.Digest, now
		}
		rec.ETag, rec.Modified = a.ETag, a.Modified
		return o, rec.answered(now, a.Unverified), nil
	case NoNews:
		o.Same, o.Digest = true, rec.Digest
		return o, rec.answered(now, a.Unverified), nil
	case TooLarge:
		rec = rec.answered(now, a.Unverified)
		rec.Code = Code(policy.CodeTooLarge)
		return o, rec, rec.Trouble()
	}
	if rec.Since.IsZero() {
		rec.Since = now
	}
	rec.Code, rec.Reason = a.Code, a.Reason
	return o, rec, &Unreachable{Where: w.Address, Since: rec.Since, Code: a.Code, Reason: a.Reason, Next: remedies[a.Code], Wait: a.Wait}
}

// news reports whether the caller does not know this yet.
func (w *Web) news(o Offer, err error) bool {
	now := state{told: true, digest: o.Digest}
	var u *Unreachable
	switch {
	case errors.As(err, &u):
		now.code = u.Code
	case policy.CodeOf(err) != "":
		now.code = Code(policy.CodeOf(err))
	case err != nil:
		return true
	}
	if now.code != "" {
		now.digest = w.last.digest
	}
	news := now != w.last || err == nil && o.Unverified != w.doubt
	if w.last = now; err == nil {
		w.doubt = o.Unverified
	}
	return news
}

// pause is how long to wait before the next question.
func (w *Web) pause() time.Duration {
	every := w.Every
	if every <= 0 {
		every = DefaultEvery
	}
	if !w.began {
		w.began = true
		return w.draw(min(every, bootMost))
	}
	if w.failures == 0 {
		return untilSlot(time.Now(), Phase(w.Host, w.Policy, every), every)
	}
	retry := w.draw(retryWithin(w.failures))
	if w.asked > 0 { // all hosts may have been asked to wait for the same moment
		retry = max(retry, w.asked+w.draw(min(w.asked, retryMost)))
	}
	return retry
}

func (w *Web) draw(most time.Duration) time.Duration {
	if w.Draw != nil {
		return w.Draw(most)
	}
	return rand.N(most + 1)
}

// glance is how often a long wait looks at the clock: a machine that slept
// comes back with its timers where they were.
const glance = 5 * time.Minute

// patience waits until that much time has passed by either the steady or the
// wall clock.
func patience(ctx context.Context, d time.Duration) error {
	began := time.Now()
	for {
		now := time.Now()
		left := d - max(now.Sub(began), now.Round(0).Sub(began.Round(0))) // Round takes the steady reading off
		if left <= 0 {
			return ctx.Err()
		}
		if err := pause(ctx, min(left, glance)); err != nil {
			return err
		}
	}
}
