package source

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"sync"
	"time"
)

// receive reads the answer that is no redirect.
func receive(q Question, resp *http.Response, callOff context.CancelCauseFunc) (Answer, error) {
	defer resp.Body.Close()
	a := Answer{ETag: strongETag(resp.Header.Get("ETag")), Modified: settled(resp.Header)}
	switch resp.StatusCode {
	case http.StatusOK:
		return a.body(q.Limits, resp, callOff)
	case http.StatusNotModified:
		if q.ETag == "" && q.Modified == "" {
			return failed(BadStatus, 0, "it says 'not modified' although nothing was said to compare with"), nil
		}
		a.Outcome = NoNews
		return a, nil
	}
	wait := RetryAfter(resp.Header.Get("Retry-After"), time.Now())
	return failed(BadStatus, wait, "it answered %d %s", resp.StatusCode, http.StatusText(resp.StatusCode)), nil
}

// settleModified is how old a Last-Modified must be to tell two versions apart:
// a file may change twice in a second. RFC 7232 2.2.2 asked for 60 s, RFC 9110
// 8.8.2.2 for one.
const settleModified = time.Minute

// settled returns a Last-Modified that is good for comparing, else "".
func settled(h http.Header) string {
	date, err := http.ParseTime(h.Get("Date"))
	changed, err2 := http.ParseTime(h.Get("Last-Modified"))
	if err != nil || err2 != nil || date.Sub(changed) < settleModified {
		return ""
	}
	return modified(h.Get("Last-Modified"))
}

// body takes the policy in.
func (a Answer) body(l Limits, resp *http.Response, callOff context.CancelCauseFunc) (Answer, error) {
	if coding := resp.Header.Get("Content-Encoding"); coding != "" && coding != identityCoding {
		return failed(Encoded, 0, "it sent the file in the coding %q, which was not asked for", clip(coding)), nil
	}
	if resp.ContentLength > l.Body {
		return Answer{Outcome: TooLarge}, nil
	}
	flow := watchFlow(resp.Body, l, callOff)
	data, err := io.ReadAll(io.LimitReader(flow, l.Body+1))
	flow.stop()
	switch {
	case err != nil:
		return Answer{}, fmt.Errorf("the answer broke off: %w", err)
	case int64(len(data)) > l.Body:
		return Answer{Outcome: TooLarge}, nil
	case isPage(data):
		return failed(WebPage, 0, "a web page answered in place of the policy"), nil
	}
	a.Outcome, a.Body = Fetched, data
	return a, nil
}

// isPage reports whether data is a page for people: no policy begins so,
// whatever type the server says it is.
func isPage(data []byte) bool {
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	return bytes.HasPrefix(bytes.TrimLeft(data, " \t\r\n"), []byte("<"))
}

// flow counts what comes through a body, and calls the exchange off when that
// is less than the least rate.
type flow struct {
	io.Reader
	limits  Limits
	callOff context.CancelCauseFunc

	mu    sync.Mutex
	timer *time.Timer
	n     int64 // bytes in this window
}

func watchFlow(body io.Reader, l Limits, callOff context.CancelCauseFunc) *flow {
	f := &flow{Reader: body, limits: l, callOff: callOff}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.timer = time.AfterFunc(l.Window, f.judge)
	return f
}

func (f *flow) Read(p []byte) (int, error) {
	n, err := f.Reader.Read(p)
	f.mu.Lock()
	f.n += int64(n)
	f.mu.Unlock()
	return n, err
}

func (f *flow) judge() {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.n < f.limits.Rate {
		f.callOff(fmt.Errorf("fewer than %d bytes came in %s", f.limits.Rate, f.limits.Window))
		return
	}
	f.n = 0
	f.timer.Reset(f.limits.Window)
}

func (f *flow) stop() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.timer.Stop()
}
