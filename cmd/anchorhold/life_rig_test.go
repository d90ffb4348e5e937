package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// station is a host on a machine of its own and the office whose policies it
// follows, both at the time of the test.
type station struct {
	t   *testing.T
	dir string // of the office
	now time.Time

	names []string // of the roots, as drafts call them
	ca    map[string]trusttest.Authority
}

// newStation makes keys of the office: each name a plain key.
func newStation(t *testing.T, keys ...string) *station {
	t.Helper()
	s := &station{t: t, dir: t.TempDir(), now: time.Now().UTC().Truncate(time.Second), ca: map[string]trusttest.Authority{}}
	for _, k := range keys {
		s.office(0, "keys new --no-passphrase --name "+k)
	}
	return s
}

func (s *station) path(name string) string { return filepath.Join(s.dir, name) }

// run runs a command line at the station's time in this process. Arguments
// with blanks go into quoted.
func (s *station) run(code int, line string, quoted ...string) ended {
	s.t.Helper()
	e := onClock(s.t, s.now, append(strings.Fields(line), quoted...)...)
	if e.code != code {
		s.t.Fatalf("anchorhold %s: exit %d, want %d\n%s", line, e.code, code, e.all())
	}
	return e
}

// office runs a command line in the office's folder.
func (s *station) office(code int, line string, quoted ...string) ended {
	s.t.Helper()
	s.t.Chdir(s.dir)
	defer s.t.Chdir("/")
	return s.run(code, line, quoted...)
}

// root makes a root once and returns it.
func (s *station) root(name string) trusttest.Authority {
	s.t.Helper()
	if _, ok := s.ca[name]; !ok {
		s.ca[name] = trusttest.NewAuthority(s.t, name)
		write(s.t, s.path(name+".pem"), string(s.ca[name].PEM()), 0o644)
		s.names = append(s.names, name)
	}
	return s.ca[name]
}

func (s *station) print(name string) string {
	s.t.Helper()
	return root.Of(s.root(name).Cert.Raw).String()
}

// sign signs a version with these standings, "NAME=standing", by these keys,
// and keeps it as NUMBER.policy, which it returns.
func (s *station) sign(version uint64, keys string, standings ...string) string {
	s.t.Helper()
	var b strings.Builder
	fmt.Fprintf(&b, "name = \"harbour\"\nversion = %d\nexpires = \"90d\"\n", version)
	for _, st := range standings {
		name, standing, _ := strings.Cut(st, "=")
		fmt.Fprintf(&b, "[[root]]\nlabel = %q\nfile = %q\nsha256 = %q\nstanding = %q\n", name, name+".pem", s.print(name), standing)
	}
	write(s.t, s.path("draft.toml"), b.String(), 0o644)
	line := "sign"
	for _, k := range strings.Fields(keys) {
		line += " --key " + k + ".key"
	}
	s.office(0, line)
	out := s.path(fmt.Sprintf("%d-%s.policy", version, strings.ReplaceAll(keys, " ", "-")))
	write(s.t, out, read(s.t, s.path("harbour.policy")), 0o644)
	return out
}

// offer puts a policy where the host reads it.
func (s *station) offer(file string) {
	s.t.Helper()
	write(s.t, inForce, read(s.t, file), 0o644)
}

// adopt makes the office's starter the host's settings.
func (s *station) adopt(options string) {
	s.t.Helper()
	s.run(0, "adopt "+s.starter(options))
}

func (s *station) starter(options string) string {
	s.t.Helper()
	name := s.path("starter.toml")
	write(s.t, name, s.office(0, "starter "+options).out, 0o644)
	return name
}

// told runs a host's command with --json.
func (s *station) told(code int, line string, quoted ...string) jsonResult {
	s.t.Helper()
	return decoded(s.t, s.run(code, line+" --json", quoted...))
}

// in reports whether a root is in the live bundle.
func (s *station) in(name string) bool {
	s.t.Helper()
	return times(bundle(s.t), s.print(name)) == 1
}

func (s *station) wantIn(want bool, names ...string) {
	s.t.Helper()
	for _, n := range names {
		if s.in(n) != want {
			s.t.Errorf("%s in the bundle: %v, want %v", n, !want, want)
		}
	}
}

func has(r jsonResult, c agent.Condition) bool {
	for _, d := range r.Conditions {
		if d == c {
			return true
		}
	}
	return false
}

// stateFile is a file of the host's state folder.
func stateFile(name string) string { return filepath.Join(statePath, name) }

// copyState keeps the whole state folder, and returns what puts it back.
func copyState(t *testing.T) (restore func()) {
	t.Helper()
	files := map[string][]byte{}
	entries, err := os.ReadDir(statePath)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if e.Type().IsRegular() {
			files[e.Name()] = []byte(read(t, stateFile(e.Name())))
		}
	}
	return func() {
		t.Helper()
		for _, e := range entriesOf(t) {
			if _, keep := files[e]; !keep {
				os.RemoveAll(stateFile(e))
			}
		}
		for name, data := range files {
			if old, err := os.ReadFile(stateFile(name)); err != nil || !bytes.Equal(old, data) {
				write(t, stateFile(name), string(data), 0o600)
			}
		}
	}
}

func remove(t *testing.T, name string) {
	t.Helper()
	if err := os.Remove(name); err != nil {
		t.Fatal(err)
	}
}

func entriesOf(t *testing.T) []string {
	t.Helper()
	entries, err := os.ReadDir(statePath)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}
