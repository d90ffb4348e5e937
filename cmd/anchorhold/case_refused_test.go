package main

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/policy"
)

// What is no root, or none to trust: C08, C09, C11 and C13.

// within runs f and fails where it takes longer than ten times what is
// promised; the promise itself is a benchmark's.
func within(t *testing.T, promise time.Duration, f func()) {
	t.Helper()
	start := time.Now()
	f()
	if took := time.Since(start); took > 10*promise {
		t.Errorf("it took %s, %s is promised", took, promise)
	} else {
		t.Logf("took %s of %s", took.Round(time.Millisecond), promise)
	}
}

func c08Store(t *testing.T, dir string) {
	const most = 300 << 10 // KiB
	wanted := prints(t, dir)[0]
	within(t, 3*time.Second, func() {
		e := must(t, 0, "/", "vet", "--json", "--store", filepath.Join(dir, "bundle-10000.pem"))
		var v struct {
			Schema, Exit int
			Files        []jsonVetted
		}
		decode(t, e.out, &v)
		if certs := v.Files[0].Certs; len(certs) != 10000 || certs[7777].SHA256.String() != wanted {
			t.Errorf("%d certificates", len(certs))
		}
		if e.kib > most {
			t.Errorf("it took %d KiB", e.kib)
		}
	})
	o := newOffice(t)
	o.sign(entry{file: filepath.Join(dir, "wanted.pem"), sha: wanted, standing: "trusted"})
	write(t, bundleFile, read(t, filepath.Join(dir, "bundle-10000.pem")), 0o644)
	within(t, 3*time.Second, func() {
		e := must(t, exitWrong, "/", "verify", "--json")
		r := decoded(t, e)
		r.placement(t, wanted).expect(t, "incomplete", false, agent.ByHand)
		for _, s := range r.Stores {
			for _, p := range s.Parts {
				if p.Name == "bundle" && p.Count != 10000 {
					t.Errorf("%d entries", p.Count)
				}
			}
		}
		if e.kib > most {
			t.Errorf("it took %d KiB", e.kib)
		}
	})
}

var c08Files = []string{"bundle-10000.pem", "huge-comment.crt", "lying-length.cer"}

func c08Bound(t *testing.T, dir string) {
	for _, name := range c08Files {
		v := vetted(t, exitWrong, filepath.Join(dir, name))[0]
		if v.Refused == nil || v.Refused.Code != "too-large" {
			t.Errorf("%s: %+v", name, v)
			continue
		}
		says(t, v.Refused.Reason, "1048576 bytes")
		if n := taken(t, filepath.Join(dir, name)); n > 2<<20 {
			t.Errorf("%s: %d bytes were read", name, n)
		}
	}
}

func c08Wrong(t *testing.T, dir string) {
	for _, name := range c08Files {
		e := must(t, exitWrong, "/", "vet", filepath.Join(dir, name))
		if e.kib > 64<<10 {
			t.Errorf("%s: %d KiB", name, e.kib)
		}
		says(t, e.out, "the limit for a root file", "next")
		never(t, e.all(), "panic", "goroutine")
		d := t.TempDir()
		if e := anchorhold(t, d, "draft", "new", "--name", "harbour", "--root", filepath.Join(dir, name)); e.code == 0 || e.kib > 64<<10 {
			t.Errorf("%s: a draft, %d, %d KiB", name, e.code, e.kib)
		} else {
			says(t, e.all(), "1048576 bytes")
		}
	}
}

var c09Files = []string{"login-page.crt", "gateway-error.cer", "empty.crt", "newline.crt"}

func c09Refused(t *testing.T, dir string) {
	o := newOffice(t)
	before := tree(t)
	for _, name := range c09Files {
		file := filepath.Join(dir, name)
		must(t, exitWrong, "/", "vet", file)
		if e := anchorhold(t, o.dir, "draft", "new", "--root", file); e.code == 0 {
			t.Errorf("%s: a draft was made", name)
		}
		o.refuses(entry{file: file, sha: strings.Repeat("ab", 32), standing: "trusted"})
	}
	must(t, exitUnknown, "/", "enforce")
	before.same(t, tree(t), "/var/lib/anchorhold")
}

func c09Words(t *testing.T, dir string) {
	for i, name := range c09Files {
		word := "a web page, not a certificate"
		if i > 1 {
			word = "empty"
		}
		says(t, must(t, exitWrong, "/", "vet", filepath.Join(dir, name)).out, word)
		e := anchorhold(t, t.TempDir(), "draft", "new", "--name", "harbour", "--root", filepath.Join(dir, name))
		says(t, e.all(), word)
	}
}

// c09Store lays the files beside a good root, in one file and as files.
func c09Store(t *testing.T, dir string) {
	lab := filepath.Join(filepath.Dir(dir), "C07", "two-names", "harbour.crt")
	fp := blocksOf(t, read(t, lab))[0]
	mixed := filepath.Join(t.TempDir(), "mixed.pem")
	write(t, mixed, read(t, filepath.Join(dir, "login-page.crt"))+read(t, lab), 0o644)
	v := vetted(t, exitWrong, append([]string{"--store", mixed, lab}, inDir(dir, c09Files)...)...)
	if len(v) != 6 || len(v[0].Certs) != 1 || len(v[0].Faults) == 0 || len(v[1].Certs) != 1 {
		t.Errorf("%+v", v[:2])
	}
	for _, f := range v[2:] {
		if len(f.Faults) == 0 {
			t.Errorf("%s: no fault", f.File)
		}
	}
	o := newOffice(t)
	c09Lay(t, dir)
	o.sign(entry{file: lab, sha: fp, standing: "trusted"})
	result(t, 0, "enforce").placement(t, fp).expect(t, "placed", true, agent.Us)
	e := must(t, 0, "/", "verify")
	for i, name := range c09Files {
		says(t, e.out, strings.TrimSuffix(name, filepath.Ext(name))+".crt")
		says(t, e.out, []string{"a web page", "a web page", "empty", "empty"}[i])
	}
}

func inDir(dir string, names []string) []string {
	var all []string
	for _, n := range names {
		all = append(all, filepath.Join(dir, n))
	}
	return all
}

// c09Lay puts the files where the platform's tool takes them.
func c09Lay(t *testing.T, dir string) {
	t.Helper()
	for _, name := range c09Files {
		write(t, filepath.Join(sourceDir, strings.TrimSuffix(name, filepath.Ext(name))+".crt"), read(t, filepath.Join(dir, name)), 0o644)
	}
}

func c09Wrong(t *testing.T, dir string) {
	lab := filepath.Join(filepath.Dir(dir), "C07", "two-names", "harbour.crt")
	fp, o := blocksOf(t, read(t, lab))[0], newOffice(t)
	c09Lay(t, dir)
	before := bundle(t)
	o.sign(entry{file: lab, sha: fp, standing: "trusted"})
	e := must(t, 0, "/", "enforce")
	never(t, e.all(), "1 added")
	if after := bundle(t); len(missing(before, after)) > 0 || len(after) != len(before)+1 {
		t.Errorf("%d before, %d after, lost %q", len(before), len(after), missing(before, after))
	}
	known(t, fp, lab, true)
}

func c11Roots(t *testing.T, dir string) {
	out := must(t, exitWrong, "/", "vet", filepath.Join(dir, "leaf.pem")).out
	says(t, out, "a server's", "Harbour Issuing CA 1", "ask for the root above it")
	if v := vetted(t, exitWrong, filepath.Join(dir, "captured-from-server.crt"))[0]; len(v.roots()) > 0 || len(v.Certs) != 2 {
		t.Errorf("the captured chain: %+v", v)
	}
	says(t, must(t, exitWrong, "/", "vet", filepath.Join(dir, "self-signed-server.pem")).out, "CA:FALSE")
	for _, name := range []string{"leaf.pem", "captured-from-server.crt", "self-signed-server.pem"} {
		if e := anchorhold(t, t.TempDir(), "draft", "new", "--name", "harbour", "--root", filepath.Join(dir, name)); e.code == 0 {
			t.Errorf("%s: a draft", name)
		}
	}
}

// c11Lies are what is no root, with what the reason must name.
var c11Lies = map[string][]string{"leaf.pem": {"crane.harbour.test", "basicConstraints"}, "self-signed-server.pem": {"quay.harbour.test", "basicConstraints"}}

func c11Twice(t *testing.T, dir string) {
	o := newOffice(t)
	var all []policy.Root
	for name, words := range c11Lies {
		file := filepath.Join(dir, name)
		says(t, o.refuses(entry{file: file, sha: blocksOf(t, read(t, file))[0], standing: "trusted"}), words...)
		all = append(all, wants(t, file, policy.Trusted))
	}
	write(t, inForce, string(o.unvetted(o.document(time.Now(), all...))), 0o644)
	r := result(t, exitWrong, "enforce")
	if len(r.Changes) > 0 {
		t.Errorf("it did %+v", r.Changes)
	}
	for _, root := range all {
		p := r.placement(t, root.SHA256.String())
		p.expect(t, "absent", false, "")
		says(t, strings.Join(p.Reasons, "\n"), c11Lies[root.Label+".pem"]...)
	}
}

func c11Wrong(t *testing.T, dir string) {
	o := newOffice(t)
	before := tree(t)
	leaf := filepath.Join(dir, "leaf.pem")
	captured := wants(t, leaf, policy.Trusted)
	write(t, inForce, string(o.unvetted(o.document(time.Now(), captured))), 0o644)
	e := must(t, exitWrong, "/", "enforce")
	never(t, e.out, "placed, ", "placed crane", "All is as wanted")
	before.same(t, tree(t), "/var/lib/anchorhold", "/etc/anchorhold")
	known(t, captured.SHA256.String(), leaf, false)
}

var c13Files = []string{"combined.pem", "key-behind.pem", "encrypted-key.pem"}

func c13Refused(t *testing.T, dir string) {
	for _, name := range c13Files {
		file := filepath.Join(dir, name)
		says(t, must(t, exitWrong, "/", "vet", file).out, "holds a private key")
		d := t.TempDir()
		e := anchorhold(t, d, "draft", "new", "--name", "harbour", "--root", file)
		if e.code == 0 {
			t.Errorf("%s: a draft", name)
		}
		says(t, e.all(), "holds a private key")
	}
}

func c13Words(t *testing.T, dir string) {
	for _, name := range c13Files {
		says(t, must(t, exitWrong, "/", "vet", filepath.Join(dir, name)).out, "the key has left its place", "the CA's owner, who must decide about a new root", "openssl x509 -in FILE")
	}
}

// c13Secrets are the lines of the keys themselves.
func c13Secrets(t *testing.T, dir string) []string {
	t.Helper()
	var lines []string
	for _, name := range c13Files {
		in := false
		for line := range strings.Lines(read(t, filepath.Join(dir, name))) {
			line = strings.TrimSpace(line)
			switch {
			case strings.HasSuffix(line, "PRIVATE KEY-----"):
				in = strings.HasPrefix(line, "-----BEGIN")
			case in && len(line) > 15:
				lines = append(lines, line, line[:16])
			}
		}
	}
	if len(lines) < 6 {
		t.Fatalf("only %d lines of keys", len(lines))
	}
	slices.Sort(lines)
	return slices.Compact(lines)
}

// c13Silent lets every command near the keys, also with one in the source
// folder, and looks for them everywhere.
func c13Silent(t *testing.T, dir string) {
	secrets, o := c13Secrets(t, dir), newOffice(t)
	depot := filepath.Join(filepath.Dir(dir), "C02", "b-no-final-newline.crt")
	fp := blocksOf(t, read(t, depot))[0]
	var said string
	for _, name := range c13Files {
		file := filepath.Join(dir, name)
		for _, args := range [][]string{{"vet", file}, {"vet", "--json", file}, {"vet", "--store", file}, {"vet", "--store", "--json", file},
			{"draft", "new", "--root", file}, {"keys", "show", file}, {"open", file}} {
			said += anchorhold(t, o.dir, args...).all()
		}
		said += o.refuses(entry{file: file, sha: fp, standing: "trusted"})
		write(t, filepath.Join(sourceDir, strings.TrimSuffix(name, ".pem")+".crt"), read(t, file), 0o600)
	}
	o.sign(entry{file: depot, sha: fp, standing: "trusted"})
	for _, args := range [][]string{{"preview"}, {"enforce"}, {"enforce", "--json"}, {"verify"}, {"verify", "--json"}, {"history"}, {"history", "--json"}, {"draft", "new", "--name", "h", "--from-host", o.path("host.toml")}} {
		said += anchorhold(t, o.dir, args...).all()
	}
	never(t, said, secrets...)
	known(t, fp, depot, true)
	for name, text := range tree(t) {
		if base := filepath.Base(name); !slices.Contains([]string{"combined.crt", "key-behind.crt", "encrypted-key.crt"}, base) {
			never(t, text.content, secrets...)
		}
	}
}

func c13Wrong(t *testing.T, dir string) {
	secrets, o := c13Secrets(t, dir), newOffice(t)
	lab := filepath.Join(dir, "combined.pem")
	fp := blocksOf(t, read(t, filepath.Join(filepath.Dir(dir), "C07", "two-names", "harbour.crt")))[0]
	o.refuses(entry{file: lab, sha: fp, standing: "trusted"})
	if e := anchorhold(t, "/", "enforce"); e.code == 0 {
		t.Error("enforce is content")
	}
	never(t, read(t, bundleFile), append(secrets, "PRIVATE KEY")...)
	if times(bundle(t), fp) > 0 {
		t.Error("the certificate was taken")
	}
}
