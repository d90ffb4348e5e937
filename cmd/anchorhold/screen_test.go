package main

import (
	"bytes"
	"context"
	"errors"
	"strings"
	"testing"
	"time"
)

// No text of somebody else's moves a cursor, whatever it came through.
func TestNothingRawReachesAScreen(t *testing.T) {
	evil := "a\x1b[31m\u202eb\x00c"
	var out bytes.Buffer
	remark{"why", evil + "\nnext line"}.write(&out, false)
	tab := table{head: []string{"ROOT"}}
	tab.add([]remark{{"note", evil}}, cell{evil, plain})
	tab.write(&out, false)
	a := newApp(stdio{in: strings.NewReader(""), out: &out, err: &out}, time.Now)
	a.end(errors.New("cannot read " + evil))
	if strings.ContainsAny(out.String(), "\x1b\x00\u202e") {
		t.Errorf("raw: %q", out.String())
	}
	if n := strings.Count(out.String(), `\x1b[31m`); n != 4 {
		t.Errorf("shown %d times of 4: %s", n, out.String())
	}
	if got := onScreen(`/a\b CN=x\x1b`); got != `/a\b CN=x\x1b` {
		t.Errorf("escaped twice: %q", got)
	}
}

// Whoever waits for a person or a pipe can be called off.
func TestWaitingIsCalledOff(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	a := &app{stopped: ctx.Done()}
	cancel()
	if _, err := waiting(a, func() (int, error) { select {} }); !errors.Is(err, errCalledOff) {
		t.Errorf("%v", err)
	}
	a.stopped = t.Context().Done()
	if n, err := waiting(a, func() (int, error) { return 7, nil }); n != 7 || err != nil {
		t.Errorf("%d %v", n, err)
	}
}
