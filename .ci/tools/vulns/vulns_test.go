package main

import (
	"bytes"
	"strings"
	"testing"
)

const head = `{"config":{"go_version":"go1.26.8"}}
{"SBOM":{"modules":[{"path":"m"},{"path":"stdlib"}]}}
{"progress":{"message":"x"}}
{"osv":{"id":"GO-1"}}
`

func TestReadAndTell(t *testing.T) {
	const (
		module   = `{"finding":{"osv":"GO-1","fixed_version":"v1.2.0","trace":[{"module":"example.test/m","version":"v1.1.0","package":"example.test/m/p","function":"F"},{"module":"m"}]}}`
		standard = `{"finding":{"osv":"GO-2","fixed_version":"v1.26.9","trace":[{"module":"stdlib","version":"v1.26.8","package":"net/http","function":"Get"}]}}`
		unused   = `{"finding":{"osv":"GO-3","trace":[{"module":"example.test/m","version":"v1.1.0","package":"example.test/m/q"}]}}`
	)
	for _, c := range []struct {
		what, stream string
		called, want int
	}{
		{"nothing", head, 0, 0},
		{"a module's", head + module + module, 1, 1},
		{"the library's", head + standard, 1, 0},
		{"not called", head + unused, 0, 0},
		{"both", head + standard + unused + module, 2, 1},
	} {
		found, err := read(strings.NewReader(c.stream))
		if err != nil || len(found.called) != c.called {
			t.Errorf("%s: %d called, %v; want %d", c.what, len(found.called), err, c.called)
		}
		var out bytes.Buffer
		if got := tell(found, "file:///db", &out); got != c.want {
			t.Errorf("%s: status %d, want %d\n%s", c.what, got, c.want, &out)
		}
	}
}

func TestReadRefusesHalfAnAnswer(t *testing.T) {
	for _, stream := range []string{"", `{"config":{"go_version":"go1.26.8"}}`, head + `{"finding":`} {
		if _, err := read(strings.NewReader(stream)); err == nil {
			t.Errorf("taken: %q", stream)
		}
	}
}

func TestParsePin(t *testing.T) {
	m, v, s, err := parsePin([]byte("# why\n\nexample.test/db v1.0.0 h1:abc=\n"))
	if err != nil || m != "example.test/db" || v != "v1.0.0" || s != "h1:abc=" {
		t.Errorf("got %q %q %q %v", m, v, s, err)
	}
	for _, bad := range []string{"", "# only\n", "m v1\n", "m v1 abc\n", "m v1 h1:a\nn v1 h1:b\n"} {
		if _, _, _, err := parsePin([]byte(bad)); err == nil {
			t.Errorf("taken: %q", bad)
		}
	}
}
