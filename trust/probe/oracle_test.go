package probe_test

import (
	"bytes"
	"context"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/probe"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// family is some chains, and the roots that each of them is tried with, one by
// one, and two by two where that may make a difference.
type family struct {
	roots  map[string]party
	pairs  bool               // tried two by two as well
	chains map[string][]party // as sent, leaf first
	// carry is the roots that carry each chain by RFC 5280 6.1, as a person
	// worked it out.
	carry map[string][]string
	// doubted is those of them that only Go finds.
	doubted map[string][]string
}

// program is a reference that says whether a chain holds with these roots.
type program struct {
	name string
	ask  func(t *testing.T, roots, chain []party) (holds bool, why string)
}

const askLimit = 20 * time.Second

func programs(t *testing.T) []program {
	t.Helper()
	paths := trusttest.Need(t, "openssl", "certtool")
	openssl := func(more ...string) func(*testing.T, []party, []party) (bool, string) {
		return func(t *testing.T, roots, chain []party) (bool, string) {
			dir := t.TempDir()
			args := slices.Concat([]string{"verify"}, more, []string{"-purpose", "sslserver", "-no-CAstore", "-no-CApath",
				"-CAfile", certificates(t, dir, "roots", roots...)})
			if len(chain) > 1 {
				args = append(args, "-untrusted", certificates(t, dir, "between", chain[1:]...))
			}
			return run(t, nil, paths[0], append(args, certificates(t, dir, "leaf", chain[0]))...)
		}
	}
	return []program{
		{"openssl", openssl()},
		{"openssl strict", openssl("-x509_strict")},
		{"gnutls", func(t *testing.T, roots, chain []party) (bool, string) {
			return run(t, encoded(chain...), paths[1], "--verify", "--verify-purpose", "1.3.6.1.5.5.7.3.1",
				"--load-ca-certificate", certificates(t, t.TempDir(), "roots", roots...))
		}},
		{"go", func(_ *testing.T, roots, chain []party) (bool, string) {
			pool, between := x509.NewCertPool(), x509.NewCertPool()
			for _, r := range roots {
				pool.AddCert(r.Certificate)
			}
			for _, c := range chain[1:] {
				between.AddCert(c.Certificate)
			}
			_, err := chain[0].Verify(x509.VerifyOptions{Roots: pool, Intermediates: between})
			return err == nil, fmt.Sprint(err)
		}},
	}
}

// run runs a verifier; its exit code is the verdict.
func run(t *testing.T, in []byte, path string, args ...string) (bool, string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), askLimit)
	defer cancel()
	c := exec.CommandContext(ctx, path, args...)
	c.Env, c.Stdin = []string{"LC_ALL=C", "PATH=/usr/bin:/bin", "OPENSSL_CONF=/dev/null"}, bytes.NewReader(in)
	out, err := c.CombinedOutput()
	if err != nil && (c.ProcessState == nil || !c.ProcessState.Exited()) {
		t.Fatalf("%s: %v\n%s", path, err, out)
	}
	return err == nil, tail(string(out))
}

func encoded(parties ...party) []byte {
	var b bytes.Buffer
	for _, p := range parties {
		pem.Encode(&b, &pem.Block{Type: "CERTIFICATE", Bytes: p.Raw})
	}
	return b.Bytes()
}

func certificates(t *testing.T, dir, name string, parties ...party) string {
	t.Helper()
	file := filepath.Join(dir, name+".pem")
	if err := os.WriteFile(file, encoded(parties...), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// TestAnchorsAsOthersSay compares the roots that we say carry a chain with
// those with which other programs verify it.
func TestAnchorsAsOthersSay(t *testing.T) {
	if testing.Short() {
		t.Skip("it starts other programs some hundred times: not in a -short run")
	}
	all, asked, differ, used := programs(t), 0, 0, map[int]bool{}
	for _, f := range families {
		t.Run(f.name, func(t *testing.T) {
			fam := f.make(t)
			if len(fam.chains) != len(fam.carry) {
				t.Errorf("%d chains, %d worked out", len(fam.chains), len(fam.carry))
			}
			for name, chain := range fam.chains {
				carry, doubted := anchorsOf(fam, chain)
				if want := slices.Sorted(slices.Values(fam.carry[name])); !slices.Equal(carry, want) {
					t.Errorf("%s: carried by %q, want %q", name, carry, want)
				}
				if want := fam.doubted[name]; !slices.Equal(doubted, want) {
					t.Errorf("%s: doubted are %q, want %q", name, doubted, want)
				}
				for _, set := range subsets(fam) {
					for _, p := range all {
						ours := slices.ContainsFunc(set, func(r string) bool {
							return slices.Contains(carry, r) && (p.name == "go" || !slices.Contains(doubted, r))
						})
						asked++
						theirs, why := p.ask(t, of(fam.roots, set), chain)
						if theirs == ours {
							continue
						}
						differ++
						row := slices.IndexFunc(unlike, func(u otherwise) bool { return u.fits(p.name, f.name, name, set, ours) })
						if row < 0 {
							t.Errorf("%s, %s: %q by %v: we say %v; it says %s", f.name, p.name, name, set, ours, why)
						}
						used[row] = true
					}
				}
			}
		})
	}
	for i, u := range unlike {
		if !used[i] {
			t.Errorf("nothing disagrees as explained: %+v", u)
		}
	}
	if asked == 0 {
		t.Error("nobody was asked")
	}
	t.Logf("asked %d times, %d disagreements, each by one of %d reasons", asked, differ, len(unlike))
}

// anchorsOf are the names of the roots that carry a chain, and of those that
// only some programs find, sorted.
func anchorsOf(f family, chain []party) (carry, doubted []string) {
	var ders, sent [][]byte
	names := map[root.Fingerprint]string{}
	for name, r := range f.roots {
		names[root.Of(r.Raw)] = name
		ders = append(ders, r.Raw)
	}
	for _, c := range chain {
		sent = append(sent, c.Raw)
	}
	g := probe.Gathered{Target: trust.Target{Address: "127.0.0.1:443", Listener: true}, Ends: []probe.End{{Chain: sent, Version: tls12}}}
	e := probe.Judge(g, asRoots(ders...), nil, time.Now()).Endpoints[0]
	for _, fp := range e.Anchors {
		carry = append(carry, names[fp])
	}
	for _, fp := range e.Doubted {
		doubted = append(doubted, names[fp])
	}
	slices.Sort(carry)
	slices.Sort(doubted)
	return carry, doubted
}

// subsets are each root alone, and each two in either order, since programs
// look through a store in its order.
func subsets(f family) [][]string {
	var out [][]string
	for a := range f.roots {
		out = append(out, []string{a})
		for b := range f.roots {
			if a != b && f.pairs {
				out = append(out, []string{a, b})
			}
		}
	}
	return out
}

func of(roots map[string]party, names []string) []party {
	var out []party
	for _, n := range names {
		out = append(out, roots[n])
	}
	return out
}

// tail is the last of what a program said.
func tail(s string) string { return s[max(0, len(s)-160):] }
