package source

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
)

// Outcome is what came of a fetch.
type Outcome string

// The outcomes.
const (
	Fetched  Outcome = "fetched"   // Body is what the source offers
	NoNews   Outcome = "no-news"   // the copy that is kept is what the source offers
	TooLarge Outcome = "too-large" // more than Limits.Body
	Failed   Outcome = "failed"    // Code and Reason say why
)

// Answer is what a child got. On its way to the parent it is one line of JSON,
// then the body as it came.
type Answer struct {
	Outcome    Outcome       `json:"outcome"`
	ETag       string        `json:"etag,omitempty"`       // strong, else empty
	Modified   string        `json:"modified,omitempty"`   // a date, else empty
	Unverified string        `json:"unverified,omitempty"` // why TLS could not tell who answered
	Code       Code          `json:"code,omitempty"`
	Reason     string        `json:"reason,omitempty"`
	Wait       time.Duration `json:"wait,omitempty"` // that the source asked for, in nanoseconds
	Body       []byte        `json:"-"`
}

// write sends an answer to the parent.
func (a Answer) write(w io.Writer) error {
	a.Reason, a.Unverified = plain(a.Reason), plain(a.Unverified)
	head, err := json.Marshal(a)
	if err != nil {
		return fmt.Errorf("cannot encode the answer: %w", err)
	}
	if _, err = w.Write(append(head, '\n')); err == nil {
		_, err = w.Write(a.Body)
	}
	if err != nil {
		return fmt.Errorf("cannot send the answer: %w", err)
	}
	return nil
}

// readAnswer takes a child's answer apart. The child speaks with the network
// and is not believed: what does not fit is an error.
func readAnswer(data []byte) (Answer, error) {
	head, body, found := bytes.Cut(data, []byte("\n"))
	if !found || len(head) > maxHead {
		return Answer{}, errors.New("its first line does not end")
	}
	var a Answer
	if err := trust.Decode(head, maxHead, &a); err != nil {
		return Answer{}, err
	}
	a.Body = body
	a.Reason, a.Unverified = plain(a.Reason), plain(a.Unverified)
	switch {
	case a.ETag != strongETag(a.ETag) || a.Modified != "" && a.Modified != modified(a.Modified):
		return Answer{}, errors.New("a validator is none")
	case a.Wait < 0 || a.Wait > waitMost:
		return Answer{}, errors.New("the wait is out of range")
	case len(body) > policy.MaxFile || len(body) > 0 && a.Outcome != Fetched:
		return Answer{}, errors.New("the body does not fit the outcome")
	}
	switch a.Outcome {
	case Fetched, NoNews, TooLarge:
		return a, nil
	case Failed:
		if _, ok := remedies[a.Code]; ok {
			return a, nil
		}
	}
	return Answer{}, fmt.Errorf("outcome %q with code %q", clip(string(a.Outcome)), clip(string(a.Code)))
}

// plain makes text that came over the network fit for a screen.
func plain(s string) string {
	if len(s) > maxReason {
		s = strings.ToValidUTF8(s[:maxReason], "") + "..."
	}
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, s)
}

// remedies says what to do where a source is unreachable.
var remedies = map[Code]string{
	NoAnswer:    "check that this host reaches the address ([source] proxy in the settings, name, firewall)",
	TooSlow:     "look for what slows the way to the source down",
	BadStatus:   "publish the policy at that address, or correct 'policy' in the settings",
	BadRedirect: "put the address that it leads to into the settings",
	WebPage:     "something on the way answers with a page of its own: let this host past the proxy or sign-in page",
	Encoded:     "let the server send the file as it is",
	BadAnswer:   "let a web server serve the file as it is",
	NoChild:     "mend what keeps the fetching child from running",
}
