package source

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/host"
)

// TestMain lets this program be the fetching child too.
func TestMain(m *testing.M) {
	if len(os.Args) == 2 && os.Args[1] == Command {
		if err := Child(context.Background(), os.Stdin, os.Stdout); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(2)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// account is whom the child runs as here: as root somebody else.
func account() string {
	if os.Geteuid() == 0 {
		return "nobody"
	}
	return ""
}

func TestChildFetches(t *testing.T) {
	o := newOffice(t, says(200, text+"\nand a line\n", "ETag", `"v41"`))
	a, err := Ask(t.Context(), host.System(), account(), question(o.URL))
	if err != nil {
		t.Fatal(err)
	}
	if a.Outcome != Fetched || string(a.Body) != text+"\nand a line\n" || a.ETag != `"v41"` {
		t.Errorf("%+v", a)
	}
	root := newCA(t)
	s := secureOffice(t, root.server(t, nil), publish)
	if a, err = Ask(t.Context(), host.System(), account(), question(s.URL)); err != nil || a.Outcome != Fetched || a.Unverified == "" {
		t.Errorf("%+v, %v", a, err)
	}
	q := question(newOffice(t, endless).URL)
	if a, err = Ask(t.Context(), host.System(), account(), q); err != nil || a.Outcome != TooLarge {
		t.Errorf("%+v, %v", a, err)
	}
	large := newOffice(t, says(200, strings.Repeat("x", policy.MaxFile)))
	q = question(large.URL)
	q.Limits = Widest()
	if a, err = Ask(t.Context(), host.System(), account(), q); err != nil || len(a.Body) != policy.MaxFile {
		t.Errorf("%s, %d bytes, %v", a.Outcome, len(a.Body), err)
	}
}

// The process that may write a store opens no connection.
func TestRootDoesNotFetch(t *testing.T) {
	if _, err := without(host.System(), "root"); err == nil {
		t.Error("root was taken")
	}
	if _, err := without(host.System(), "nobody-of-this-name"); err == nil {
		t.Error("an account that is not there was taken")
	}
	if as, err := without(host.System(), ""); (err == nil) != (os.Geteuid() != 0) {
		t.Errorf("no account: %v, %v", as, err)
	}
}

// said is a machine whose child says this.
func said(r host.Result, err error) *host.Host {
	h := host.System()
	h.Tool = func(context.Context, host.Cmd) (host.Result, error) { return r, err }
	return h
}

func TestChildIsNotBelieved(t *testing.T) {
	q := question("http://policy.harbour.test/")
	for what, out := range map[string]string{
		"nothing":             "",
		"no line":             `{"outcome":"fetched"}`,
		"no JSON":             "policy\n",
		"an unknown member":   `{"outcome":"fetched","file":"/etc/shadow"}` + "\n",
		"two values":          `{"outcome":"fetched"}{}` + "\n",
		"an unknown outcome":  `{"outcome":"placed"}` + "\n",
		"no outcome":          "{}\n",
		"an unknown code":     `{"outcome":"failed","code":"because"}` + "\n",
		"failed without code": `{"outcome":"failed"}` + "\n",
		"a body with no news": `{"outcome":"no-news"}` + "\nbody",
		"a validator of two":  `{"outcome":"no-news","etag":"\"a\"\r\nX: y"}` + "\n",
		"a weak validator":    `{"outcome":"no-news","etag":"W/\"a\""}` + "\n",
		"a date that is none": `{"outcome":"no-news","modified":"now"}` + "\n",
		"a negative wait":     `{"outcome":"failed","code":"status","wait":-1}` + "\n",
		"a wait of a year":    `{"outcome":"failed","code":"status","wait":31536000000000000}` + "\n",
		"a head without end":  `{"outcome":"` + strings.Repeat("x", maxHead) + `"}` + "\n",
		"too large a body":    `{"outcome":"fetched"}` + "\n" + strings.Repeat("x", policy.MaxFile+1),
	} {
		if a, err := Ask(t.Context(), said(host.Result{Stdout: []byte(out)}, nil), account(), q); err == nil {
			t.Errorf("%s: %+v", what, a)
		}
	}
	for what, h := range map[string]*host.Host{
		"it failed":        said(host.Result{Code: 2, Stderr: []byte("\x1b[2Jno")}, nil),
		"it was cut":       said(host.Result{Stdout: []byte("{}\n"), Truncated: true}, nil),
		"it could not run": said(host.Result{}, errors.New("no such program")),
	} {
		if _, err := Ask(t.Context(), h, account(), q); err == nil || strings.Contains(err.Error(), "\x1b") {
			t.Errorf("%s: %v", what, err)
		}
	}
	a, err := Ask(t.Context(), said(host.Result{Stdout: []byte(`{"outcome":"failed","code":"status","reason":"\u001b[2J\u202e` + strings.Repeat("x", 2000) + `"}` + "\n")}, nil), account(), q)
	if err != nil || strings.ContainsAny(a.Reason, "\x1b\u202e") || len(a.Reason) > maxReason+10 {
		t.Errorf("%q, %v", a.Reason, err)
	}
}

func TestQuestionsThatAreNone(t *testing.T) {
	good := question("http://policy.harbour.test/")
	for what, edit := range map[string]func(*Question){
		"no address":       func(q *Question) { q.URL = "" },
		"a header more":    func(q *Question) { q.ETag = "\"a\"\r\nCookie: x" },
		"a header by date": func(q *Question) { q.Modified = "x\ny" },
		"a proxy by file":  func(q *Question) { q.Proxy = "file:///x" },
		"large roots":      func(q *Question) { q.CA = strings.Repeat("x", MaxCA+1) },
		"no limits":        func(q *Question) { q.Limits = Limits{} },
		"a larger body":    func(q *Question) { q.Limits.Body = policy.MaxFile + 1 },
		"a longer time":    func(q *Question) { q.Limits.Total = time.Hour },
		"no rate":          func(q *Question) { q.Limits.Rate = -1 },
	} {
		q := good
		edit(&q)
		data, err := json.Marshal(q)
		must(t, err)
		if _, err := ReadQuestion(bytes.NewReader(data)); err == nil {
			t.Errorf("%s was taken", what)
		}
		if _, err := Ask(t.Context(), said(host.Result{}, nil), account(), q); err == nil {
			t.Errorf("%s was asked", what)
		}
	}
	for _, bad := range []string{"", "{}", "null", `{"url":"http://policy.harbour.test/","run":"x"}`, strings.Repeat(" ", MaxQuestion+1)} {
		if _, err := ReadQuestion(strings.NewReader(bad)); err == nil {
			t.Errorf("%.40q was taken", bad)
		}
	}
}

func FuzzQuestion(f *testing.F) {
	data, err := json.Marshal(question("https://policy.harbour.test/harbour.policy"))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Fuzz(func(t *testing.T, data []byte) {
		q, err := ReadQuestion(bytes.NewReader(data))
		if err != nil {
			return
		}
		u, err := Address(q.URL)
		if err != nil || q.Check() != nil {
			t.Fatalf("taken, and not fit: %+v", q)
		}
		for _, v := range request(t.Context(), q, u).Header {
			if strings.ContainsAny(v[0], "\r\n\x00") {
				t.Fatalf("header %q", v)
			}
		}
	})
}

func FuzzAnswer(f *testing.F) {
	f.Add([]byte(`{"outcome":"fetched","etag":"\"a\""}` + "\n{}"))
	f.Add([]byte(`{"outcome":"failed","code":"status","reason":"x","wait":1}` + "\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		a, err := readAnswer(data)
		if err != nil {
			return
		}
		var out bytes.Buffer
		must(t, a.write(&out))
		b, err := readAnswer(out.Bytes())
		if err != nil || b.Outcome != a.Outcome || !bytes.Equal(b.Body, a.Body) || b.Wait != a.Wait {
			t.Fatalf("%+v is %+v again, %v", a, b, err)
		}
	})
}
