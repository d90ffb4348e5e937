package host

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"
)

func TestRunning(t *testing.T) {
	dir, err := os.MkdirTemp("", "harbour")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	const name = "harbour-refresh-of-a-test"
	script, text := filepath.Join(dir, name), filepath.Join(dir, "text")
	for file, content := range map[string]string{script: "sleep 50 & wait\n", text: ""} {
		if err := os.WriteFile(file, []byte(content), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	h := System()
	if got := h.Running(name); len(got) != 0 {
		t.Fatalf("found %v before anything ran", got)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{}, 2)
	for _, c := range []Cmd{
		{Path: "/bin/sh", Args: []string{"-e", script}},
		{Path: "/usr/bin/tail", Args: []string{"-f", text, script}}, // names it, and does not run it
	} {
		go func() { h.Run(ctx, c); ended <- struct{}{} }()
	}
	var got []int
	for range 500 {
		if got = h.Running(name); len(got) > 0 && len(h.Running("tail")) > 0 {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	if len(got) != 1 || slices.Contains(h.Running("tail"), got[0]) {
		t.Errorf("found %v", got)
	}
	cancel()
	<-ended
	<-ended
	if got := h.Running(name); len(got) != 0 {
		t.Errorf("found %v after the end", got)
	}
}
