package source

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/policy"
)

const text = `{"keysets": [], "policy": {}}`

// answers are what a web server may say, and what becomes of it.
var answers = map[string]struct {
	say     http.HandlerFunc
	outcome Outcome
	code    Code
	wait    time.Duration
}{
	"a policy":               {say: says(200, text), outcome: Fetched},
	"a policy, type of HTML": {say: says(200, text, "Content-Type", "text/html"), outcome: Fetched},
	"a page":                 {say: says(200, "\n <!doctype html><p>Sign in"), outcome: Failed, code: WebPage},
	"a page that claims":     {say: says(200, "\xef\xbb\xbf<html>", "Content-Type", "application/json"), outcome: Failed, code: WebPage},
	"not modified, unasked":  {say: says(304, ""), outcome: Failed, code: BadStatus},
	"no content":             {say: says(204, ""), outcome: Failed, code: BadStatus},
	"a part":                 {say: says(206, text), outcome: Failed, code: BadStatus},
	"not found":              {say: says(404, text), outcome: Failed, code: BadStatus},
	"gone":                   {say: says(410, text), outcome: Failed, code: BadStatus},
	"sign in":                {say: says(401, "", "WWW-Authenticate", "Basic"), outcome: Failed, code: BadStatus},
	"broken":                 {say: says(500, text, "Retry-After", "7"), outcome: Failed, code: BadStatus, wait: 7 * time.Second},
	"too many":               {say: says(429, "", "Retry-After", "120"), outcome: Failed, code: BadStatus, wait: 2 * time.Minute},
	"too many, for ever":     {say: says(429, "", "Retry-After", "1000000000000"), outcome: Failed, code: BadStatus, wait: time.Hour},
	"too many, garbage":      {say: says(503, "", "Retry-After", "soon; -3"), outcome: Failed, code: BadStatus},
	"gzip":                   {say: says(200, "\x1f\x8b\x08", "Content-Encoding", "gzip"), outcome: Failed, code: Encoded},
	"identity, said":         {say: says(200, text, "Content-Encoding", "identity"), outcome: Fetched},
	"gzip as a file":         {say: says(200, "\x1f\x8b\x08"), outcome: Fetched}, // bytes; their signature is none
	"nothing":                {say: says(200, ""), outcome: Fetched},
	"too large, said":        {say: says(200, "", "Content-Length", "9999999"), outcome: TooLarge},
	"endless":                {say: endless, outcome: TooLarge},
	"header of 15 kB":        {say: says(200, text, "X-Long", strings.Repeat("x", 15<<10)), outcome: Fetched},
	"header of 20 kB":        {say: says(200, text, "X-Long", strings.Repeat("x", 20<<10)), outcome: Failed, code: BadAnswer},
}

func says(status int, body string, header ...string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		for i := 0; i < len(header); i += 2 {
			w.Header().Set(header[i], header[i+1])
		}
		w.WriteHeader(status)
		io.WriteString(w, body)
	}
}

func endless(w http.ResponseWriter, r *http.Request) {
	for {
		if _, err := w.Write(make([]byte, 64<<10)); err != nil {
			return
		}
	}
}

func TestWhatAServerMaySay(t *testing.T) {
	for what, c := range answers {
		t.Run(what, func(t *testing.T) {
			o := newOffice(t, c.say)
			a := ask(t, question(o.URL+"/harbour.policy"))
			if a.Outcome != c.outcome || a.Code != c.code || a.Wait != c.wait || a.Unverified != "" {
				t.Errorf("%s %q (%s), wait %s, unverified %q", a.Outcome, a.Code, a.Reason, a.Wait, a.Unverified)
			}
			if (a.Outcome != Fetched) && len(a.Body) > 0 {
				t.Errorf("a body of %d bytes", len(a.Body))
			}
			if a.Outcome == Failed && (a.Reason == "" || remedies[a.Code] == "") {
				t.Errorf("%q says nothing of why and what to do", a.Code)
			}
			if n := len(o.requests()); n != 1 {
				t.Errorf("asked %d times", n)
			}
		})
	}
}

func TestWhatIsNoWebServer(t *testing.T) {
	for what, c := range map[string]struct {
		say  string
		code Code
	}{
		"nothing":              {"", NoAnswer},
		"another protocol":     {"220 mail.harbour.test ESMTP\r\n", BadAnswer},
		"cut short":            {"HTTP/1.1 200 OK\r\nContent-Length: 1000\r\n\r\n{\"key", NoAnswer},
		"cut short in a chunk": {"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nff\r\n{\"key", NoAnswer},
		"cut short in headers": {"HTTP/1.1 200 OK\r\nETag: ", NoAnswer},
		"a chunk that is none": {"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nmany\r\n", BadAnswer},
		"two lengths":          {"HTTP/1.1 200 OK\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\n{}", BadAnswer},
		"a line without end":   {"HTTP/1.1 200 " + strings.Repeat("y", 64<<10), BadAnswer},
	} {
		t.Run(what, func(t *testing.T) {
			a := ask(t, question(raw(t, func(conn net.Conn) { io.WriteString(conn, c.say) })))
			if a.Outcome != Failed || a.Code != c.code {
				t.Errorf("%s %q (%s), want %q", a.Outcome, a.Code, a.Reason, c.code)
			}
		})
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	where := l.Addr().String()
	must(t, l.Close())
	if a := ask(t, question("http://"+where+"/x")); a.Code != NoAnswer {
		t.Errorf("nobody listens: %q (%s)", a.Code, a.Reason)
	}
	if a := ask(t, question("http://policy.harbour.invalid/x")); a.Code != NoAnswer {
		t.Errorf("no such name: %q (%s)", a.Code, a.Reason)
	}
}

// Limits end what goes on for too long. By the reason one sees which limit it
// was: the other one would have let it wait much longer.
func TestSlowSources(t *testing.T) {
	drip := func(piece string, every time.Duration) func(net.Conn) {
		return func(c net.Conn) {
			io.WriteString(c, "HTTP/1.1 200 OK\r\nContent-Length: 1000000\r\n\r\n")
			for {
				if _, err := io.WriteString(c, piece); err != nil {
					return
				}
				time.Sleep(every)
			}
		}
	}
	silent := func(c net.Conn) { io.Copy(io.Discard, c) }
	for what, c := range map[string]struct {
		say    func(net.Conn)
		limits Limits
		total  bool
	}{
		"a byte at a time":       {drip("x", 30*time.Millisecond), Limits{1 << 20, time.Minute, 300 * time.Millisecond, 1000}, false},
		"fast enough, yet long":  {drip("xxxx", time.Millisecond), Limits{1 << 20, 700 * time.Millisecond, 300 * time.Millisecond, 1}, true},
		"nothing at all":         {silent, Limits{1 << 20, 300 * time.Millisecond, 100 * time.Millisecond, 1}, true},
		"a header, then nothing": {drip("", time.Second), Limits{1 << 20, time.Minute, 300 * time.Millisecond, 1}, false},
	} {
		t.Run(what, func(t *testing.T) {
			q := question(raw(t, c.say))
			q.Limits = c.limits
			a := ask(t, q)
			if a.Outcome != Failed || a.Code != TooSlow || (a.Reason == errTotal.Error()) != c.total {
				t.Errorf("%s %q: %s", a.Outcome, a.Code, a.Reason)
			}
		})
	}
}

func TestBoundOfTheBody(t *testing.T) {
	for n, want := range map[int]Outcome{policy.MaxFile: Fetched, policy.MaxFile + 1: TooLarge} {
		for _, chunked := range []bool{false, true} {
			o := newOffice(t, func(w http.ResponseWriter, r *http.Request) {
				if chunked {
					w.(http.Flusher).Flush()
				}
				w.Write(make([]byte, n))
			})
			q := question(o.URL)
			q.Limits = Widest()
			if a := ask(t, q); a.Outcome != want || want == Fetched && len(a.Body) != n {
				t.Errorf("%d bytes, chunked %v: %s, %d bytes (%s)", n, chunked, a.Outcome, len(a.Body), a.Reason)
			}
		}
	}
}

func TestNoNews(t *testing.T) {
	const etag, date = `"v41"`, "Mon, 02 Nov 2026 08:00:00 GMT"
	o := newOffice(t, func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("ETag", etag)
		w.Header().Set("Last-Modified", date)
		if r.Header.Get("If-None-Match") == etag || r.Header.Get("If-Modified-Since") == date {
			w.WriteHeader(http.StatusNotModified)
			return
		}
		io.WriteString(w, text)
	})
	first := ask(t, question(o.URL))
	if first.ETag != etag || first.Modified != date || string(first.Body) != text {
		t.Fatalf("%+v", first)
	}
	for _, q := range []Question{{ETag: etag, Modified: date}, {Modified: date}} {
		q.URL, q.Limits = o.URL, question("").Limits
		if a := ask(t, q); a.Outcome != NoNews {
			t.Errorf("%+v: %s", q, a.Outcome)
		}
	}
	// RFC 9110 13.1.3: never the date beside the entity tag.
	if r := o.requests()[1]; r.Header.Get("If-None-Match") != etag || r.Header.Get("If-Modified-Since") != "" {
		t.Errorf("%v", r.Header)
	}
}

func TestValidatorsThatAreKept(t *testing.T) {
	now := time.Now().UTC()
	for what, c := range map[string]struct{ etag, modified, wantTag, wantDate string }{
		"both":             {`"a"`, stamp(now.Add(-time.Hour)), `"a"`, stamp(now.Add(-time.Hour))},
		"a weak tag":       {`W/"a"`, "", "", ""},
		"no quotes":        {`a`, "", "", ""},
		"a quote too many": {`"a"b"`, "", "", ""},
		"a long tag":       {`"` + strings.Repeat("a", 300) + `"`, "", "", ""},
		"changed just now": {"", stamp(now), "", ""},
		"no date":          {"", "yesterday", "", ""},
	} {
		o := newOffice(t, says(200, text, "ETag", c.etag, "Last-Modified", c.modified))
		if a := ask(t, question(o.URL)); a.ETag != c.wantTag || a.Modified != c.wantDate {
			t.Errorf("%s: %q, %q", what, a.ETag, a.Modified)
		}
	}
}

func stamp(t time.Time) string { return t.UTC().Format(http.TimeFormat) }

// Nothing that is sent tells who asks.
func TestWhatIsSent(t *testing.T) {
	t.Setenv("HTTP_PROXY", "http://127.0.0.1:1")
	var o *office
	o = newOffice(t, func(w http.ResponseWriter, r *http.Request) {
		http.SetCookie(w, &http.Cookie{Name: "who", Value: "a host"})
		if r.URL.Path == "/" {
			w.Header().Set("Location", o.URL+"/harbour.policy#here")
			w.WriteHeader(http.StatusFound)
			return
		}
		io.WriteString(w, text)
	})
	q := question(o.URL)
	if a := ask(t, q); a.Outcome != Fetched {
		t.Fatalf("%s: %s", a.Outcome, a.Reason)
	}
	q.Fresh = true
	ask(t, q)
	want := map[string]string{"User-Agent": "anchorhold", "Accept-Encoding": "identity", "Connection": "close"}
	for i, r := range o.requests() {
		if i == 2 {
			want["Cache-Control"] = "no-cache"
		}
		if got, wanted := fmt.Sprint(r.Header), len(want); len(r.Header) != wanted {
			t.Errorf("request %d: %s", i, got)
		}
		for k, v := range want {
			if r.Header.Get(k) != v {
				t.Errorf("request %d: %s is %q", i, k, r.Header.Get(k))
			}
		}
	}
	if tr, err := transport(q, false); err != nil || tr.Proxy != nil {
		t.Error("a proxy that nobody set")
	}
}
