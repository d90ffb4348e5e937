package reader

import (
	"bytes"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// The test program is its own child, as the real one is.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == Command {
		if err := Child(os.Args[2:], os.Stdin, os.Stdout); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// store is a store in a folder that every account can reach.
type store struct {
	dir    string
	ca     trusttest.Authority
	others []trusttest.Authority
}

func newStore(t *testing.T) store {
	t.Helper()
	dir, err := os.MkdirTemp("/tmp", "reader")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	s := store{dir: dir, ca: trusttest.NewAuthority(t, "Harbour Root 2026")}
	for i := range 3 {
		s.others = append(s.others, trusttest.NewAuthority(t, fmt.Sprintf("Harbour Other %d", i)))
	}
	s.write(t, true)
	return s
}

// write lays the store out as Debian does: a source file, a bundle, links and
// a key store.
func (s store) write(t *testing.T, with bool) {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	var bundle []byte
	java := map[string][]byte{}
	for i, o := range s.others {
		bundle = append(bundle, o.PEM()...)
		java[fmt.Sprintf("debian:other%d.pem", i)] = o.Cert.Raw
	}
	if with {
		bundle = append(bundle, s.ca.PEM()...)
		java["debian:ours.pem"] = s.ca.Cert.Raw
	}
	must(os.Chmod(s.dir, 0o755))
	for _, d := range []string{"source", "links"} {
		must(os.MkdirAll(filepath.Join(s.dir, d), 0o755))
	}
	must(os.WriteFile(s.path("bundle"), bundle, 0o644))
	must(os.WriteFile(s.path("java"), trusttest.KeyStore(java), 0o644))
	os.Remove(s.path("links/ours.pem"))
	if with {
		must(os.WriteFile(s.path("source/ours.crt"), s.ca.PEM(), 0o644))
		must(os.Symlink(s.path("source/ours.crt"), s.path("links/ours.pem")))
	}
}

func (s store) path(name string) string { return filepath.Join(s.dir, name) }

func (s store) claim(gone bool, sample ...*x509.Certificate) trust.Claim {
	c := trust.Claim{Store: trust.Machine, Root: trust.Root{Fingerprint: root.Of(s.ca.Cert.Raw), DER: s.ca.Cert.Raw}, Gone: gone, At: time.Now(),
		Parts: []trust.Part{
			{Name: "bundle", Kind: trust.Compiled, Path: s.path("bundle"), Present: true},
			{Name: "links", Kind: trust.Compiled, Path: s.path("links"), Present: true},
			{Name: "java", Kind: trust.Compiled, Path: s.path("java"), Present: true},
		}}
	if !gone {
		c.Copies = []trust.Location{{Part: "bundle", Path: s.path("bundle")}, {Part: "links", Path: s.path("links/ours.pem")}, {Part: "java", Path: s.path("java")}}
	}
	for _, cert := range sample {
		c.Sample = append(c.Sample, cert.Raw)
	}
	return c
}

func TestWhatIsThere(t *testing.T) {
	s := newStore(t)
	leaf, _ := s.ca.Issue(t, "crane.harbour.test")
	foreign, _ := trusttest.NewAuthority(t, "Harbour Elsewhere").Issue(t, "winch.harbour.test")
	if p := Try("me", []trust.Claim{s.claim(false)})[0]; !p.Holds || p.By != "the root itself" {
		t.Errorf("%+v", p)
	}
	if p := Try("me", []trust.Claim{s.claim(false, leaf)})[0]; !p.Holds || !strings.Contains(p.By, "crane.harbour.test") {
		t.Errorf("with a sample: %+v", p)
	}
	if p := Try("me", []trust.Claim{s.claim(false, foreign)})[0]; p.Holds || len(p.Failures) != 3 {
		t.Errorf("a sample of another root proves this one: %+v", p)
	}
	if p := Try("me", []trust.Claim{s.claim(true)})[0]; p.Holds || len(p.Failures) != 3 {
		t.Errorf("gone, it says: %+v", p)
	}
}

func TestWhatIsGone(t *testing.T) {
	s := newStore(t)
	s.write(t, false)
	if p := Try("me", []trust.Claim{s.claim(true)})[0]; !p.Holds {
		t.Errorf("%+v", p)
	}
	if p := Try("me", []trust.Claim{s.claim(false)})[0]; p.Holds {
		t.Errorf("there, it says: %+v", p)
	}
	// A dangling link holds nothing; a plain copy among the links is read by
	// Go programs (crypto/x509, root_linux.go).
	if err := os.Symlink("/nowhere", s.path("links/left.pem")); err != nil {
		t.Fatal(err)
	}
	if p := Try("me", []trust.Claim{s.claim(true)})[0]; !p.Holds {
		t.Errorf("with a dangling link: %+v", p)
	}
	if err := os.WriteFile(s.path("links/copy.txt"), s.ca.PEM(), 0o644); err != nil {
		t.Fatal(err)
	}
	if p := Try("me", []trust.Claim{s.claim(true)})[0]; p.Holds || !strings.Contains(p.Failures[0], "copy.txt") {
		t.Errorf("with a plain copy: %+v", p)
	}
}

func TestEachPartCounts(t *testing.T) {
	for _, part := range []string{"bundle", "links/ours.pem", "java"} {
		s := newStore(t)
		if err := os.Remove(s.path(part)); err != nil {
			t.Fatal(err)
		}
		if p := Try("me", []trust.Claim{s.claim(false)})[0]; p.Holds || len(p.Failures) != 1 {
			t.Errorf("without %s: %+v", part, p)
		}
	}
}

// An account without rights proves, and says what stops it, path and mode.
func TestAnotherAccount(t *testing.T) {
	if os.Geteuid() != 0 {
		trusttest.Lacking(t, "root: it runs children as other accounts")
	}
	p := Prover{Host: host.System(), Accounts: []string{"nobody", "daemon"}, Can: true}
	for _, c := range []struct {
		name, path string
		mode       os.FileMode
		stops      string
	}{
		{"all open", "", 0, ""},
		{"the source folder is shut", "source", 0o700, "source"},
		{"the source file is shut", "source/ours.crt", 0o600, "source/ours.crt"},
		{"the bundle is shut", "bundle", 0o640, "bundle"},
		{"the folder above all is shut", "", 0o700, ""},
		{"java's store is shut", "java", 0o600, "java"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := newStore(t)
			if c.mode != 0 {
				if err := os.Chmod(s.path(c.path), c.mode); err != nil {
					t.Fatal(err)
				}
			}
			proofs, err := p.Prove(t.Context(), []trust.Claim{s.claim(false)})
			if err != nil || len(proofs) != 2 {
				t.Fatal(proofs, err)
			}
			for _, proof := range proofs {
				if proof.Unable != "" || proof.Holds != (c.mode == 0) {
					t.Errorf("%+v", proof)
				}
				want := fmt.Sprintf("%s (mode %04o)", s.path(c.stops), c.mode)
				if c.mode != 0 && !strings.Contains(strings.Join(proof.Failures, "\n"), want) {
					t.Errorf("%s does not say %q: %q", proof.Account, want, proof.Failures)
				}
			}
		})
	}
}

func TestAnAccountThatIsNotThere(t *testing.T) {
	if os.Geteuid() != 0 {
		trusttest.Lacking(t, "root: it runs children as other accounts")
	}
	s := newStore(t)
	p := Prover{Host: host.System(), Accounts: []string{"nobody", "no-such-account"}, Can: true}
	proofs, err := p.Prove(t.Context(), []trust.Claim{s.claim(false)})
	if err != nil || len(proofs) != 2 || !proofs[0].Holds || proofs[1].Holds || proofs[1].Unable == "" {
		t.Errorf("%+v %v", proofs, err)
	}
	p.Accounts = []string{"no-such-account"}
	if _, err := p.Prove(t.Context(), []trust.Claim{s.claim(false)}); err == nil {
		t.Error("nobody could be asked, and that is no error")
	}
}

func TestAnswerIsBoundedAndStrict(t *testing.T) {
	for name, in := range map[string]string{"nothing": "", "half": `[{"store":`, "another form": `{"store":"machine"}`} {
		if err := Answer("nobody", strings.NewReader(in), new(bytes.Buffer)); err == nil {
			t.Errorf("%s: answered", name)
		}
	}
	var out bytes.Buffer
	s := newStore(t)
	in, err := json.Marshal([]trust.Claim{s.claim(false)})
	if err != nil {
		t.Fatal(err)
	}
	if err := Answer("nobody", bytes.NewReader(in), &out); err != nil || !strings.Contains(out.String(), `"holds":true`) {
		t.Errorf("%s %v", out.String(), err)
	}
}
