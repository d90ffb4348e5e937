package tracer

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"
)

func TestMain(m *testing.M) {
	Main()
	os.Exit(m.Run())
}

// script changes a folder by every common means, in the shell itself, in
// programs that it starts, and in one that it leaves behind.
const script = `set -e
echo one > a
mv a b
mkdir d
ln -s b d/l
( echo two >> b )
chmod 0600 b
cp b c
rm c
( (sleep 0.05; echo late > late) & )
`

func shell(t *testing.T, o Options) (Run, string) {
	t.Helper()
	dir := t.TempDir()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	r, err := Trace(ctx, Program{Path: "/bin/sh", Args: []string{"sh", "-c", script}, Env: []string{"PATH=/usr/bin:/bin"}, Dir: dir}, o)
	if err != nil {
		t.Fatal(err)
	}
	return r, dir
}

// list is every path below a folder with its content.
func list(t *testing.T, dir string) []string {
	t.Helper()
	var all []string
	err := filepath.WalkDir(dir, func(name string, d os.DirEntry, err error) error {
		if err != nil || name == dir {
			return err
		}
		text := d.Type().String()
		if d.Type().IsRegular() {
			data, err := os.ReadFile(name)
			if err != nil {
				return err
			}
			text += string(data)
		}
		all = append(all, strings.TrimPrefix(name, dir)+" "+text)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func TestEveryChangeIsSeen(t *testing.T) {
	r, dir := shell(t, Options{Log: true})
	if r.Code != 0 {
		t.Fatalf("exit %d, %s", r.Code, r.Err)
	}
	var seen []string
	for i, c := range r.Calls {
		if c.N != i+1 {
			t.Errorf("call %d has number %d", i+1, c.N)
		}
		if c.Result < 0 || !strings.HasPrefix(c.Path, dir) {
			continue
		}
		line := string(c.Kind) + " " + strings.TrimPrefix(c.Path, dir)
		if c.To != "" {
			line += " " + strings.TrimPrefix(c.To, dir)
		}
		if c.Kind == Write {
			line += " " + strings.TrimSpace(string(c.Data)) + fmt.Sprint(c.At)
		}
		seen = append(seen, line)
	}
	for _, want := range []string{"open /a", "write /a one0", "rename /a /b", "mkdir /d", "symlink /d/l", "open /b", "write /b two4",
		"mode /b", "open /c", "unlink /c", "open /late", "write /late late0"} {
		if !slices.Contains(seen, want) {
			t.Errorf("%q was not seen in %q", want, seen)
		}
	}
}

// TestDieAtEachCall ends the tree before each call: what was done by then is
// there, and nothing after it.
func TestDieAtEachCall(t *testing.T) {
	whole, _ := shell(t, Options{})
	states := map[string]bool{}
	for n := 1; n <= len(whole.Calls); n++ {
		r, dir := shell(t, Options{At: n, Do: Kill})
		if r.Hit == nil || len(r.Calls) != n || r.Hit.N != n {
			t.Fatalf("point %d of %d: came to %d", n, len(whole.Calls), len(r.Calls))
		}
		if r.Signal != syscall.SIGKILL && r.Hit.Program == "sh" && n < len(whole.Calls)-2 {
			t.Errorf("point %d: ended with %d, %v", n, r.Code, r.Signal)
		}
		if r.Hit.Kind == Mkdir {
			if _, err := os.Stat(filepath.Join(dir, "d")); !errors.Is(err, os.ErrNotExist) {
				t.Errorf("the call at which it died was made: %v", err)
			}
		}
		states[strings.Join(list(t, dir), "\n")] = true
	}
	if len(states) < 9 {
		t.Errorf("only %d states in %d points", len(states), len(whole.Calls))
	}
}

func TestFailAtEachCall(t *testing.T) {
	whole, _ := shell(t, Options{})
	failed := 0
	for n := 1; n <= len(whole.Calls); n++ {
		r, _ := shell(t, Options{At: n, Do: Fail, Errno: syscall.ENOSPC})
		if r.Hit == nil {
			t.Fatalf("point %d of %d was not come to", n, len(whole.Calls))
		}
		if got := r.Calls[n-1].Errno(); got != syscall.ENOSPC {
			t.Errorf("point %d: %s of %s returned %v", n, r.Hit.Name, r.Hit.Path, got)
		}
		if strings.Contains(string(r.Err), "No space left") {
			failed++
		}
	}
	if failed < 6 {
		t.Errorf("only %d of %d programs noticed", failed, len(whole.Calls))
	}
	r, dir := shell(t, Options{At: 1, Do: Fail, Errno: syscall.EROFS, Onward: true})
	if left := list(t, dir); len(left) != 0 || r.Code == 0 {
		t.Errorf("exit %d, and %q was made where nothing can be", r.Code, left)
	}
}

func TestSignalsAreSent(t *testing.T) {
	for _, do := range []Action{Terminate, TermGroup} {
		r, _ := shell(t, Options{At: 4, Do: do})
		if r.Signal != syscall.SIGTERM {
			t.Errorf("%d: ended with %d, %v", do, r.Code, r.Signal)
		}
	}
}

func TestWhatHangsIsEnded(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	_, err := Trace(ctx, Program{Path: "/bin/sh", Args: []string{"sh", "-c", "sleep 600 & wait"}, Env: []string{"PATH=/bin"}, Dir: "/"}, Options{})
	if !errors.Is(err, ErrHung) {
		t.Errorf("error %v", err)
	}
}
