package source

import (
	"context"
	"crypto/sha256"
	"fmt"
	"time"
)

// Source is where policies come from.
type Source interface {
	// Next waits until there is something to know, and returns it: what is
	// offered, or why nothing is. The error is an *[Unreachable], a
	// [policy.Error] with the code "too-large", or that of ctx.
	Next(ctx context.Context) (Offer, error)
}

// Offer is what a source holds at one time.
type Offer struct {
	Data   []byte            // at most [policy.MaxFile] bytes, as they came; nil where Same
	Digest [sha256.Size]byte // SHA-256 of what is offered
	At     time.Time         // when it was read
	Same   bool              // what was kept of this source still stands
	// Unverified says why TLS could not tell who the source is, "" where it
	// could, or where the source has none.
	Unverified string
	Notes      []string // what to know of the source, in words
}

// Unreachable says that a source could not be read, or that what answered was
// not the source. Nothing changes by that.
type Unreachable struct {
	Where  string // path or address
	Since  time.Time
	Code   Code
	Reason string
	Next   string        // what to do; may be empty
	Wait   time.Duration // that the source asked for, 0 where it did not
}

func (u *Unreachable) Error() string {
	s := fmt.Sprintf("cannot read the policy from %s (since %s): %s", u.Where, u.Since.UTC().Format("2006-01-02 15:04 MST"), u.Reason)
	if u.Next != "" {
		s += "; " + u.Next
	}
	return s
}

// Code is why a source is unreachable, for programs.
type Code string

// The codes of Unreachable.
const (
	NoFile      Code = "no-file"      // the file, or a folder on the way to it, is not there
	NotReadable Code = "not-readable" // the file cannot be read
	NoAnswer    Code = "no-answer"    // no connection, or it broke
	TooSlow     Code = "too-slow"     // no end within the limit, or slower than the least rate
	BadStatus   Code = "status"       // an answer that is neither a policy nor "no news"
	BadRedirect Code = "redirect"     // more than three, from https to http, or to nowhere
	WebPage     Code = "web-page"     // a page for people in place of a policy
	Encoded     Code = "encoded"      // compressed or otherwise encoded, which nobody asked for
	BadAnswer   Code = "bad-answer"   // not HTTP, or beyond a bound of it
	NoChild     Code = "no-child"     // the child that asks could not be run
)

// state is what the caller was told last, so that it is woken by news alone.
type state struct {
	told   bool
	digest [sha256.Size]byte
	code   Code // of what was wrong; "" where nothing was
	note   string
}
