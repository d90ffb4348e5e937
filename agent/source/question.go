package source

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
)

// Bounds of what parent and child say to each other, in bytes.
const (
	MaxQuestion    = 512 << 10
	MaxCA          = 256 << 10 // of a file with the roots that the source is verified by
	MaxAddress     = 2048
	maxHead        = 16 << 10
	maxHeaderValue = 256
	maxReason      = 1 << 10
)

// Limits bound one fetch. The child takes none that is wider than [Widest].
type Limits struct {
	Body   int64         `json:"body"`   // bytes of the policy
	Total  time.Duration `json:"total"`  // from the first question to the last byte, in nanoseconds
	Window time.Duration `json:"window"` // in which at least Rate bytes must come, once the answer has begun
	Rate   int64         `json:"rate"`
}

// Widest are the limits of a fetch.
func Widest() Limits {
	return Limits{Body: policy.MaxFile, Total: time.Minute, Window: 10 * time.Second, Rate: 4 << 10}
}

func (l Limits) check() error {
	w := Widest()
	if l.Body < 1 || l.Body > w.Body || l.Total < 1 || l.Total > w.Total || l.Window < 1 || l.Window > l.Total || l.Rate < 0 || l.Rate > l.Body {
		return errors.New("a limit is out of range")
	}
	return nil
}

// Question is what the child is to fetch. Nothing in it names the host.
type Question struct {
	URL      string `json:"url"`
	ETag     string `json:"etag,omitempty"`     // of the copy that is kept, if that verifies now
	Modified string `json:"modified,omitempty"` // likewise, its Last-Modified
	Fresh    bool   `json:"fresh,omitempty"`    // ask caches on the way to look again
	Proxy    string `json:"proxy,omitempty"`
	CA       string `json:"ca,omitempty"` // PEM; the machine's own roots where empty
	Limits   Limits `json:"limits"`
}

// Check says what is wrong with a question.
func (q Question) Check() error {
	if _, err := Address(q.URL); err != nil {
		return err
	}
	if q.Proxy != "" {
		if _, err := ProxyAddress(q.Proxy); err != nil {
			return err
		}
	}
	if q.ETag != validator(q.ETag) || q.Modified != validator(q.Modified) {
		return errors.New("a validator of the kept copy is none")
	}
	if len(q.CA) > MaxCA {
		return fmt.Errorf("the roots for the source are larger than %d bytes", MaxCA)
	}
	return q.Limits.check()
}

// Address takes an address apart from which a policy can be fetched.
func Address(s string) (*url.URL, error) {
	u, err := plainURL(s)
	if err != nil {
		return nil, err
	}
	if u.Scheme != "http" && u.Scheme != "https" {
		return nil, fmt.Errorf("address %q: only http and https are known", clip(s))
	}
	return u, nil
}

// ProxyAddress takes the address of a proxy apart.
func ProxyAddress(s string) (*url.URL, error) {
	u, err := plainURL(s)
	switch {
	case err != nil:
		return nil, err
	case u.Scheme != "http":
		return nil, fmt.Errorf("proxy %q: it is asked by http, also for a source with https, which it then does not see into", clip(s))
	case u.Path != "" && u.Path != "/" || u.RawQuery != "":
		return nil, fmt.Errorf("proxy %q: it is a host and a port, without a path", clip(s))
	}
	return u, nil
}

func plainURL(s string) (*url.URL, error) {
	if len(s) > MaxAddress {
		return nil, fmt.Errorf("an address is longer than %d bytes", MaxAddress)
	}
	u, err := url.Parse(s)
	switch {
	case err != nil:
		return nil, fmt.Errorf("address %q cannot be read", clip(s)) // the error of url shows it unclipped
	case u.Hostname() == "":
		return nil, fmt.Errorf("address %q names no host", clip(s))
	case u.User != nil:
		return nil, fmt.Errorf("address of host %q holds a name or password: none is ever sent, since the policy is no secret", clip(u.Hostname()))
	case u.Fragment != "":
		return nil, fmt.Errorf("address %q: '#' and what follows is never sent", clip(s))
	}
	return u, nil
}

func clip(s string) string {
	const most = 100 // bytes shown
	if len(s) > most {
		return s[:most] + "..."
	}
	return s
}

// validator returns a header value that is fit to be kept and sent again, else
// "": printable ASCII within its bound.
func validator(s string) string {
	if len(s) > maxHeaderValue || strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r > '~' }) {
		return ""
	}
	return strings.TrimSpace(s)
}

// strongETag returns an entity tag if it is a strong one (RFC 9110 8.8.3).
func strongETag(s string) string {
	s = validator(s)
	if len(s) < 2 || s[0] != '"' || strings.IndexByte(s[1:], '"') != len(s)-2 {
		return ""
	}
	return s
}

// modified returns a Last-Modified that is a date.
func modified(s string) string {
	if _, err := http.ParseTime(s); err != nil {
		return ""
	}
	return validator(s)
}

// ReadQuestion reads one question strictly.
func ReadQuestion(r io.Reader) (Question, error) {
	var q Question
	err := trust.Receive(r, MaxQuestion, &q)
	if err == nil {
		err = q.Check()
	}
	if err != nil {
		return Question{}, fmt.Errorf("cannot take the question: %w", err)
	}
	return q, nil
}
