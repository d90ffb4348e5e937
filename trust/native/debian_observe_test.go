//go:build linux

package native

import (
	"context"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// inPart lists what the store's own reading found in a part.
func inPart(s trust.Snapshot, part string) prints {
	p := prints{}
	for fp, e := range s.Entries {
		if slices.ContainsFunc(e.In(part), func(l trust.Location) bool { return l.Idle == "" && !l.Dangling }) {
			p[fp] = true
		}
	}
	return p
}

func same(t *testing.T, what string, got, want prints) {
	t.Helper()
	if len(want) == 0 {
		t.Fatalf("%s: nothing to compare with", what)
	}
	if !maps.Equal(got, want) {
		t.Errorf("%s: %d roots, not %d", what, len(got), len(want))
		for fp := range want {
			if !got[fp] {
				t.Errorf("%s: %s is missing", what, fp.Short())
			}
		}
	}
}

// TestObserveSeesWhatToolsSee compares the reading of this machine's store
// with what openssl and keytool read, file by file.
func TestObserveSeesWhatToolsSee(t *testing.T) {
	if testing.Short() {
		t.Skip("runs openssl for every certificate: not in a short run")
	}
	tools := trusttest.Need(t, "openssl", "keytool", "update-ca-certificates")
	d := NewDebian(host.System())
	s := observe(t, d)
	if len(s.Entries) < 100 {
		t.Fatalf("only %d roots on this machine", len(s.Entries))
	}
	r := &real{T: t, d: d}
	same(t, "bundle", inPart(s, partBundle), readers["openssl"](r))
	run := func(c host.Cmd) string {
		t.Helper()
		res, err := host.System().Run(t.Context(), c)
		if err != nil || res.Code != 0 {
			t.Fatalf("%s: exit %d, %v: %s", c.Path, res.Code, err, res.Stderr)
		}
		return string(res.Stdout)
	}
	script := `for f in /etc/ssl/certs/*.[0-9]; do echo "$f $(openssl x509 -in "$f" -noout -fingerprint -sha256 -subject_hash | tr '\n' ' ')"; done`
	out := run(host.Cmd{Path: "/bin/sh", Args: []string{"-c", script}})
	same(t, "links", inPart(s, partLinks), parsePrints(r, out))
	for line := range strings.Lines(out) {
		words := strings.Fields(line)
		if name, hash := words[0], words[len(words)-1]; !strings.HasPrefix(name, "/etc/ssl/certs/"+hash+".") {
			t.Errorf("openssl hashes %s to %s", name, hash)
		}
	}
	if p, _ := s.Part(partJava); p.Present {
		same(t, "java", inPart(s, partJava), parsePrints(r, run(host.Cmd{Path: tools[1], Args: []string{"-list", "-cacerts", "-storepass", "changeit"}})))
	}
	script = `for f in $(sed -e '/^[#!]/d' -e '/^$/d' -e 's|^|/usr/share/ca-certificates/|' /etc/ca-certificates.conf) $(find -L /usr/local/share/ca-certificates -type f -name '*.crt'); do openssl x509 -in "$f" -noout -fingerprint -sha256; done`
	same(t, "source", inPart(s, partSource), parsePrints(r, run(host.Cmd{Path: "/bin/sh", Args: []string{"-c", script}})))
	for fp, e := range s.Entries {
		for _, l := range e.In(partSource) {
			if wantPackage := strings.HasPrefix(l.Path, "/usr/share/"); wantPackage != (l.Package == "ca-certificates" && l.Origin == trust.FromPackage) {
				t.Errorf("%s: %s is %s of %q", fp.Short(), l.Path, l.Origin, l.Package)
			}
		}
	}
}

// TestMain lets the test program play an observer without privileges.
func TestMain(m *testing.M) {
	if len(os.Args) == 4 && os.Args[1] == "observe" {
		fp, _ := root.ParseFingerprint(os.Args[3])
		s, err := NewDebian(host.At(os.Args[2])).Observe(context.Background())
		if err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		p := s.Placement(fp)
		fmt.Println(p.State)
		for _, part := range s.Parts {
			if part.Unread != "" {
				fmt.Println("unread", part.Name)
			}
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// TestObserveWithoutPrivileges observes as an account that may not read
// everything: it tells what it could not see and calls nothing absent that it
// could not look for.
func TestObserveWithoutPrivileges(t *testing.T) {
	if os.Getuid() != 0 {
		t.Skip("needs root: it observes as another account")
	}
	nobody, err := host.System().Account("nobody")
	if err != nil {
		t.Fatal(err)
	}
	for shut, want := range map[string]string{
		"":                                   "placed\n",
		"/etc/ssl/certs/ca-certificates.crt": "unreadable\nunread bundle\n",
		"/etc/ssl/certs/java/cacerts":        "unreadable\nunread java\n",
		"/usr/local/share/ca-certificates":   "unreadable\nunread source\n",
		"/etc/ssl":                           "unknown\nunread bundle\nunread links\nunread java\n",
	} {
		f := trusttest.FakeHost(t)
		a := trusttest.NewAuthority(t, "Harbour Root").Root()
		apply(t, fakeStore(t, f.Host), trusttest.Change(trust.Place, a))
		if shut != "" {
			if err := os.Chmod(f.Real(shut), 0o700); err != nil {
				t.Fatal(err)
			}
		}
		if shut == "/etc/ssl" { // with the source shut as well nothing is left to see
			os.Chmod(f.Real("/usr/local"), 0o700)
			want = strings.Replace(want, "unread bundle", "unread source\nunread bundle", 1)
		}
		res, err := host.System().Run(t.Context(), host.Cmd{Path: host.Self, As: nobody, Args: []string{"observe", f.Root, a.Fingerprint.String()}})
		if err != nil || string(res.Stdout) != want {
			t.Errorf("%s shut: %q, not %q; %v %s", shut, res.Stdout, want, err, res.Stderr)
		}
	}
}

func BenchmarkObserve(b *testing.B) {
	d := NewDebian(host.System())
	for b.Loop() {
		s, err := d.Observe(b.Context())
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(len(s.Entries)), "roots")
	}
}
