package source

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust/host"
)

// watches counts this process's inotify watches (proc(5), fdinfo).
func watches(t *testing.T) int {
	t.Helper()
	n := 0
	infos, err := filepath.Glob("/proc/self/fdinfo/*")
	must(t, err)
	for _, name := range infos {
		text, err := os.ReadFile(name)
		if err == nil {
			n += strings.Count(string(text), "inotify wd:")
		}
	}
	return n
}

func TestWatchesDoNotGrow(t *testing.T) {
	dir := t.TempDir()
	path := linked(t, dir)
	before := watches(t)
	f := &File{Path: path, Read: host.System().ReadFile, Poll: DefaultPoll}
	until(t, f, "one")
	most := watches(t) - before
	if most == 0 {
		t.Fatal("nothing is watched")
	}
	for i := range 60 {
		text := fmt.Sprintf("policy %02d", i)
		put(t, filepath.Join(dir, "releases", text, "harbour.policy"), text)
		swap(t, filepath.Join(dir, "current"), filepath.Join("releases", text))
		until(t, f, text)
		if n := watches(t) - before; n > most+1 { // one may be on its way out
			t.Fatalf("%d watches after %d swaps, %d at first", n, i+1, most)
		}
	}
	must(t, f.Close())
	if n := watches(t); n != before {
		t.Errorf("%d watches left, %d before", n, before)
	}
	nothingLeft(t)
}

// nothingLeft wants no goroutine of this room but the test's own.
func nothingLeft(t *testing.T) {
	t.Helper()
	var stacks string
	for range 100 {
		buf := make([]byte, 1<<20)
		stacks = string(buf[:runtime.Stack(buf, true)])
		_, others, _ := strings.Cut(stacks, "\n\n")
		if !strings.Contains(others, "source.(*") && !strings.Contains(others, "fsnotify.(*") {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Errorf("something is left behind:\n%s", stacks)
}
