package reader

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// lookups gives the store's roots names by which OpenSSL looks them up.
func (s store) lookups(t *testing.T) {
	t.Helper()
	for i, a := range append([]trusttest.Authority{s.ca}, s.others...) {
		if err := os.WriteFile(s.path(fmt.Sprintf("links/root%d.pem", i)), a.PEM(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	openssl := trusttest.Need(t, "openssl")[0]
	if r, err := host.System().Run(t.Context(), host.Cmd{Path: openssl, Args: []string{"rehash", s.path("links")}}); err != nil || r.Code != 0 {
		t.Fatalf("%v %s", err, r.Stderr)
	}
}

func (s store) parts() []trust.Part { return s.claim(true).Parts }

func (s store) all() []root.Fingerprint {
	fps := []root.Fingerprint{root.Of(s.ca.Cert.Raw)}
	for _, o := range s.others {
		fps = append(fps, root.Of(o.Cert.Raw))
	}
	return trust.SortRoots(fps)
}

func newWitness(t *testing.T) Witness {
	t.Helper()
	trusttest.Need(t, "prlimit", "openssl", "certtool", "python3", "keytool")
	if os.Geteuid() != 0 {
		trusttest.Lacking(t, "root: it runs programs as another account")
	}
	return Witness{Host: host.System(), Account: "nobody", Can: true, Tools: SystemTools()}
}

func heardOf(t *testing.T, all []trust.Testimony, reader, part string) trust.Testimony {
	t.Helper()
	i := slices.IndexFunc(all, func(x trust.Testimony) bool { return x.Reader == reader && x.Part == part })
	if i < 0 {
		t.Fatalf("%s is not among %+v", reader, all)
	}
	return all[i]
}

func TestEveryReaderReadsEveryRoot(t *testing.T) {
	w, s := newWitness(t), newStore(t)
	s.lookups(t)
	all := w.Attest(t.Context(), s.parts())
	asked := 0
	for _, x := range all {
		if x.Reader == "NSS" {
			if x.Heard() || x.Unheard == "" {
				t.Errorf("%+v", x)
			}
			continue
		}
		asked++
		if !x.Heard() || !slices.Equal(x.Roots, s.all()) || x.Version == "" || x.Path == "" {
			t.Errorf("%+v", x)
		}
	}
	if asked != len(voices()) {
		t.Errorf("%d of %d readers", asked, len(voices()))
	}
	if none := w.Attest(t.Context(), nil); len(none) != 0 {
		t.Errorf("of no part: %+v", none)
	}
}

// What an account may not read it does not read, and is told as that.
func TestReadersHaveNoRights(t *testing.T) {
	w, s := newWitness(t), newStore(t)
	s.lookups(t)
	for _, name := range []string{"bundle", "java"} {
		if err := os.Chmod(s.path(name), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, x := range w.Attest(t.Context(), s.parts()) {
		shut := x.Part == "bundle" || x.Part == "java"
		if shut && (!x.Denied || !strings.Contains(x.Refused, "(mode 0600)")) || x.Part == "links" && !x.Heard() {
			t.Errorf("%+v", x)
		}
	}
	w.Account = "no-such-account"
	for _, x := range w.Attest(t.Context(), s.parts()) {
		if x.Unheard == "" || x.Heard() {
			t.Errorf("without an account: %+v", x)
		}
	}
}

// A lookup that meets a hole stops, a link into nothing is nothing.
func TestOpenSSLLooksUp(t *testing.T) {
	w, s := newWitness(t), newStore(t)
	s.lookups(t)
	entries, err := os.ReadDir(s.path("links"))
	if err != nil {
		t.Fatal(err)
	}
	moved := 0
	for _, e := range entries {
		if lookupName.MatchString(e.Name()) && moved == 0 {
			moved++
			if err := os.Rename(s.path("links/"+e.Name()), s.path("links/"+strings.TrimSuffix(e.Name(), "0")+"1")); err != nil {
				t.Fatal(err)
			}
		}
	}
	all := w.Attest(t.Context(), s.parts())
	if x := heardOf(t, all, "OpenSSL", "links"); moved != 1 || len(x.Roots) != len(s.all())-1 {
		t.Errorf("%d roots of %d, %+v", len(x.Roots), len(s.all()), x)
	}
	if x := heardOf(t, all, "Go", "links"); len(x.Roots) != len(s.all()) {
		t.Errorf("%+v", x)
	}
}

// A store that only one reader can use, and one that none can.
func TestRefusals(t *testing.T) {
	w, s := newWitness(t), newStore(t)
	s.lookups(t)
	for name, content := range map[string]string{"bundle": "", "java": "no key store at all, whatever its name says"} {
		if err := os.WriteFile(s.path(name), []byte(content), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for _, x := range w.Attest(t.Context(), s.parts()) {
		if x.Part == "links" || x.Reader == "NSS" {
			continue
		}
		if x.Refused == "" || x.Denied {
			t.Errorf("%+v", x)
		}
	}
	for _, name := range []string{"bundle", "java"} {
		if err := os.Remove(s.path(name)); err != nil {
			t.Fatal(err)
		}
	}
	for _, x := range w.Attest(t.Context(), s.parts()) {
		if x.Part != "links" && x.Reader != "NSS" && x.Refused == "" {
			t.Errorf("of nothing: %+v", x)
		}
	}
}

// faultyTools are programs that stand in for every tool.
var faultyTools = map[string]string{
	"hangs":            "sleep 1000",
	"ends in a lie":    "", // set where there is a good block to begin with
	"crashes":          "kill -SEGV $$",
	"floods":           "head -c 40000000 /dev/zero",
	"floods for ever":  "yes",
	"lies":             "echo all is well",
	"lies with blocks": "echo -----BEGIN CERTIFICATE-----; echo AAAA; echo -----END CERTIFICATE-----",
	"lies with names":  "echo /etc/passwd: OK; echo version 1; echo root 00; echo end",
	"says nothing":     "true",
	"does not start":   "exit 127",
	"dies half-way":    `case "$*" in *version*) echo X 3.9; exit 0;; esac; kill -KILL $$`,
	"says half":        `case "$*" in *ssl*) echo version 3; echo root ` + strings.Repeat("ab", 32) + `;; *) echo X 3.9;; esac`,
}

func tool(t *testing.T, script string, dirMode os.FileMode) string {
	t.Helper()
	dir, err := os.MkdirTemp("/tmp", "tool")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	name := filepath.Join(dir, "tool")
	if err := os.WriteFile(name, []byte("#!/bin/sh\n"+script+"\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	for path, mode := range map[string]os.FileMode{dir: dirMode, name: 0o755} {
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
	}
	return name
}

// A program that does not do as its own does is not heard: it neither counts
// for a store nor against it.
func TestFaultyReaders(t *testing.T) {
	w, s := newWitness(t), newStore(t)
	s.lookups(t)
	for name, script := range faultyTools {
		t.Run(name, func(t *testing.T) {
			w := w
			endless := strings.HasPrefix(script, "sleep") || script == "yes"
			if w.Timeout = time.Minute; endless {
				w.Timeout = time.Second
			}
			if script == "" {
				script = "echo Your keystore contains 5 entries; cat " + s.path("bundle") + "; " + faultyTools["lies with blocks"]
			}
			bad := tool(t, script, 0o755)
			w.Tools = Tools{OpenSSL: bad, GnuTLS: bad, Python: bad, Java: bad, NSS: bad}
			for _, x := range w.Attest(t.Context(), s.parts()) {
				if x.Reader == "Go" {
					if !x.Heard() && !endless { // a second may be too short for our own child
						t.Errorf("%+v", x)
					}
				} else if x.Unheard == "" || x.Heard() || x.Refused != "" {
					t.Errorf("it %s, and yet: %+v", name, x)
				}
			}
		})
	}
}

// What others can write is not run, and what is not there is told as that.
func TestReadersThatAreNotRun(t *testing.T) {
	w, s := newWitness(t), newStore(t)
	s.lookups(t)
	mark := s.path("ran")
	open := tool(t, "touch "+mark, 0o777)
	if err := os.Chmod(s.dir, 0o777); err != nil {
		t.Fatal(err)
	}
	w.Tools = Tools{OpenSSL: open, GnuTLS: open, Python: open, Java: "/usr/bin/no-such-program", NSS: "/usr/bin/no-such-program"}
	for _, x := range w.Attest(t.Context(), s.parts()) {
		want := "can be written by every account"
		if x.Reader == "Java" || x.Reader == "NSS" {
			want = "no-such-program not installed"
		}
		if x.Reader != "Go" && !strings.Contains(x.Unheard, want) {
			t.Errorf("%+v", x)
		}
	}
	if _, err := os.Stat(mark); err == nil {
		t.Error("a program was run that every account can replace")
	}
}

func BenchmarkAttest(b *testing.B) {
	if os.Geteuid() != 0 {
		trusttest.Lacking(b, "root: it runs programs as another account")
	}
	w := Witness{Host: host.System(), Account: "nobody", Can: true, Tools: SystemTools()}
	parts := []trust.Part{
		{Name: trust.BundlePart, Kind: trust.Compiled, Present: true, Path: "/etc/ssl/certs/ca-certificates.crt"},
		{Name: trust.LinksPart, Kind: trust.Compiled, Present: true, Path: "/etc/ssl/certs"},
		{Name: trust.JavaPart, Kind: trust.Compiled, Present: true, Path: "/etc/ssl/certs/java/cacerts"},
	}
	for name, n := range map[string]int{"without-java": 2, "with-java": 3} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				w.Attest(b.Context(), parts[:n])
			}
		})
	}
}
