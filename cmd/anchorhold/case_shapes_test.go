package main

import (
	"bytes"
	"encoding/pem"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/trust/root"
)

// Shapes in which a root arrives: C01, C02, C04, C05 and C07.

var c01Files = []string{"root.utf16le.crt", "root.utf8bom.crt"}

func c01Same(t *testing.T, dir string) {
	for _, name := range c01Files {
		if got := vetted(t, 0, filepath.Join(dir, name))[0].roots(); !slices.Equal(got, prints(t, dir)) {
			t.Errorf("%s offers %q", name, got)
		}
	}
}

func c01Taken(t *testing.T, dir string) {
	fp := prints(t, dir)[0]
	for _, name := range c01Files {
		file := filepath.Join(dir, name)
		o := office{t: t, dir: t.TempDir()}
		must(t, 0, o.dir, "draft", "new", "--name", "harbour", "--root", file)
		says(t, read(t, o.path("draft.toml")), fp)
		must(t, 0, o.dir, "draft", "check")
	}
}

func c01Placed(t *testing.T, dir string) {
	fp, o := prints(t, dir)[0], newOffice(t)
	for _, name := range c01Files {
		file := filepath.Join(dir, name)
		o.sign(entry{file: file, sha: fp, standing: "trusted"})
		result(t, 0, "enforce").placement(t, fp).expect(t, "placed", true, agent.Us)
		clean(t, ownFile(t, fp), fp)
		known(t, fp, file, true)
	}
}

// ownFile is the file by which anchorhold placed a root.
func ownFile(t *testing.T, fp string) string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(sourceDir, "anchorhold-"+fp[:32]+".crt"))
	if err != nil || len(found) != 1 {
		t.Fatalf("%d files of our own for %s (%v)", len(found), fp[:16], err)
	}
	return found[0]
}

// clean wants a file to be one certificate in PEM and nothing else.
func clean(t *testing.T, name, fp string) {
	t.Helper()
	text := []byte(read(t, name))
	b, rest := pem.Decode(text)
	if b == nil || len(rest) > 0 || root.Of(b.Bytes).String() != fp || !bytes.Equal(pem.EncodeToMemory(b), text) {
		t.Errorf("%s is not the certificate alone:\n%q", name, text)
	}
	if bytes.ContainsAny(text, "\x00\r\ufeff") {
		t.Errorf("%s holds a NUL, a CR or a byte order mark", name)
	}
	if info, err := os.Stat(name); err != nil || info.Mode().Perm() != 0o644 {
		t.Errorf("%s: %v, %v", name, info.Mode(), err)
	}
}

// c01Wrong has somebody put the UTF-16 file into the source folder by hand,
// which the platform's tool takes for a root and no reader does.
func c01Wrong(t *testing.T, dir string) {
	fp, o := prints(t, dir)[0], newOffice(t)
	file := filepath.Join(dir, "root.utf16le.crt")
	write(t, filepath.Join(sourceDir, "by-hand.crt"), read(t, file), 0o644)
	tool(t, platform)
	o.sign(entry{file: file, sha: fp, standing: "trusted"})
	if p := result(t, exitWrong, "verify").placement(t, fp); p.Right || p.State == "placed" {
		t.Errorf("%s although no reader finds it", p.State)
	}
	result(t, 0, "enforce").placement(t, fp)
	known(t, fp, file, true)
}

func c02Three(t *testing.T, dir string) {
	fps := prints(t, dir)
	for i, name := range []string{"a-crlf-no-final-newline.crt", "b-no-final-newline.crt", "c-comments.crt"} {
		if got := vetted(t, 0, filepath.Join(dir, name))[0].roots(); !slices.Equal(got, fps[i:i+1]) {
			t.Errorf("%s: %q", name, got)
		}
	}
}

func c02Entries(t *testing.T, dir string) []entry {
	fps := prints(t, dir)
	var all []entry
	for i, name := range []string{"a-crlf-no-final-newline.crt", "b-no-final-newline.crt", "c-comments.crt"} {
		all = append(all, entry{file: filepath.Join(dir, name), sha: fps[i], standing: "trusted"})
	}
	return all
}

func c02Bundle(t *testing.T, dir string) {
	before, o := bundle(t), newOffice(t)
	o.sign(c02Entries(t, dir)...)
	r := result(t, 0, "enforce")
	after := bundle(t)
	if len(after) != len(before)+3 || len(missing(before, after)) > 0 {
		t.Errorf("%d certificates before, %d after, lost %q", len(before), len(after), missing(before, after))
	}
	for _, fp := range prints(t, dir) {
		r.placement(t, fp).expect(t, "placed", true, agent.Us)
		clean(t, ownFile(t, fp), fp)
		if times(after, fp) != 1 {
			t.Errorf("%s stands %d times in the bundle", fp, times(after, fp))
		}
	}
	for line := range strings.Lines(read(t, bundleFile)) {
		if strings.HasPrefix(line, "#") || strings.Contains(line, "-----") && strings.Trim(line, "-\n") != "BEGIN CERTIFICATE" && strings.Trim(line, "-\n") != "END CERTIFICATE" || !strings.HasSuffix(line, "\n") {
			t.Errorf("a line of the bundle is %q", line)
		}
	}
}

// c02Others wants what verified before to verify still; each root by itself,
// and the servers of one that somebody had put there.
func c02Others(t *testing.T, dir string) {
	o := newOffice(t)
	must(t, exitUnknown, "/", "verify") // nothing is in force
	o.sign(c02Entries(t, dir)...)
	tool(t, platform)
	ssl, tls := verifying(t)
	result(t, 0, "enforce")
	sslAfter, tlsAfter := verifying(t)
	if lost := slices.Concat(missing(ssl, sslAfter), missing(tls, tlsAfter)); len(lost) > 0 {
		t.Errorf("no longer verify: %q", lost)
	}
}

func c04Alone(t *testing.T, dir string) {
	fp, o := prints(t, dir)[0], newOffice(t)
	for _, name := range []string{"enrolment.crt", "bag-attributes.pem"} {
		file := filepath.Join(dir, name)
		if got := vetted(t, 0, file)[0].roots(); !slices.Equal(got, []string{fp}) {
			t.Errorf("%s offers %q", name, got)
		}
		o.sign(entry{file: file, sha: fp, standing: "trusted"})
		result(t, 0, "enforce")
		clean(t, ownFile(t, fp), fp)
		for _, where := range []string{ownFile(t, fp), bundleFile} {
			never(t, read(t, where), "[p11-kit", "Bag Attributes", "friendlyName", "written by the enrolment client")
		}
		if err := os.Remove(ownFile(t, fp)); err != nil {
			t.Fatal(err)
		}
		tool(t, platform, "--fresh")
	}
}

// c04Store leaves the files in the store as somebody put them there.
func c04Store(t *testing.T, dir string) {
	fp, o := prints(t, dir)[0], newOffice(t)
	o.sign(entry{file: filepath.Join(dir, "enrolment.crt"), sha: fp, standing: "trusted"})
	for _, name := range []string{"enrolment.crt", "bag-attributes.pem"} {
		v := vetted(t, 0, "--store", filepath.Join(dir, name))[0]
		if len(v.Certs) != 1 || v.Certs[0].SHA256.String() != fp || len(v.Faults) > 0 {
			t.Errorf("%s as part of a store: %+v", name, v)
		}
		write(t, filepath.Join(sourceDir, "harbour.crt"), read(t, filepath.Join(dir, name)), 0o644)
		tool(t, platform)
		p := result(t, 0, "verify").placement(t, fp)
		if p.State != "placed" || len(p.Where) < 3 {
			t.Errorf("%s in the store: %+v", name, p)
		}
	}
}

func c04Container(t *testing.T, dir string) {
	file := filepath.Join(dir, "root-only.p12")
	e := must(t, exitWrong, "/", "vet", file)
	says(t, e.out, "PKCS#12", "openssl pkcs12 -in FILE -nokeys")
	e = anchorhold(t, t.TempDir(), "draft", "new", "--name", "harbour", "--root", file)
	if e.code == 0 {
		t.Error("a draft was made of it")
	}
	says(t, e.all(), "PKCS#12", "openssl pkcs12 -in FILE -nokeys")
}

func c04Never(t *testing.T, dir string) {
	file := filepath.Join(dir, "root-only.p12")
	o := office{t: t, dir: t.TempDir()}
	must(t, 0, o.dir, "keys", "new", "--policy", "harbour", "--no-passphrase")
	said := o.refuses(entry{file: file, sha: prints(t, dir)[0], standing: "trusted"})
	said += must(t, exitWrong, "/", "vet", file).all() + must(t, exitWrong, "/", "vet", "--store", file).all()
	says(t, said, "PKCS#12")
	never(t, strings.ToLower(said), "unknown format", "unknown shape")
}

var c05Files = []string{"chain.p7b", "chain.pem.p7b", "chain.cer"}

func c05Held(t *testing.T, dir string) {
	for _, name := range c05Files {
		v := vetted(t, 0, filepath.Join(dir, name))[0]
		if len(v.Certs) != 3 || !slices.Equal(v.roots(), prints(t, dir)[:1]) {
			t.Errorf("%s: %d certificates, roots %q", name, len(v.Certs), v.roots())
		}
	}
}

func c05Encoder(t *testing.T, dir string) {
	raw := read(t, filepath.Join(dir, "chain.p7b"))
	b, _ := pem.Decode([]byte(read(t, filepath.Join(dir, "chain.cer"))))
	if b == nil || b.Type != "CERTIFICATE" || string(b.Bytes) != raw {
		t.Fatal("chain.cer is something else")
	}
	a, c := vetted(t, 0, filepath.Join(dir, "chain.p7b"))[0], vetted(t, 0, filepath.Join(dir, "chain.cer"))[0]
	says(t, c.Form, "PKCS#7")
	if len(a.Certs) != len(c.Certs) {
		t.Fatalf("%d certificates and %d", len(a.Certs), len(c.Certs))
	}
	for i := range a.Certs {
		if a.Certs[i].SHA256 != c.Certs[i].SHA256 {
			t.Errorf("certificate %d differs", i)
		}
	}
}

func c05Offered(t *testing.T, dir string) {
	fps := prints(t, dir)
	for _, name := range c05Files {
		out := must(t, 0, "/", "vet", filepath.Join(dir, name)).out
		says(t, out, "Harbour Issuing CA 1 is an issuing CA, not a root", fps[1], "crane.harbour.test is a server's", "CA:FALSE", "ask for the root above it")
		d := t.TempDir()
		e := must(t, 0, d, "draft", "new", "--name", "harbour", "--root", filepath.Join(dir, name))
		draft := read(t, filepath.Join(d, "draft.toml"))
		if strings.Count(draft, "\n[[root]]") != 1 {
			t.Errorf("%s: the draft offers %d roots", name, strings.Count(draft, "\n[[root]]"))
		}
		says(t, draft, fps[0])
		says(t, draft+e.all(), "Harbour Issuing CA 1", "crane.harbour.test")
	}
}

func c05Wrong(t *testing.T, dir string) {
	fps, o := prints(t, dir), newOffice(t)
	for _, name := range c05Files {
		says(t, must(t, 0, "/", "vet", filepath.Join(dir, name)).out, "PKCS#7")
		o.sign(entry{file: filepath.Join(dir, name), sha: fps[0], standing: "trusted"})
		before := len(bundle(t))
		result(t, 0, "enforce").placement(t, fps[0]).expect(t, "placed", true, agent.Us)
		if n := len(bundle(t)); name == c05Files[0] && n != before+1 || times(bundle(t), fps[1]) > 0 {
			t.Errorf("%s: %d certificates before, %d after", name, before, n)
		}
		says(t, o.refuses(entry{file: filepath.Join(dir, name), sha: fps[1], standing: "trusted"}), "issuing CA")
	}
}

func c07Listed(t *testing.T, dir string) {
	fps, o := prints(t, dir), newOffice(t)
	file := filepath.Join(dir, "three-roots.pem")
	if got := vetted(t, 0, file)[0].roots(); !slices.Equal(got, fps) {
		t.Errorf("it offers %q", got)
	}
	before := bundle(t)
	o.sign(entry{file: file, sha: fps[1], standing: "trusted"})
	result(t, 0, "enforce").placement(t, fps[1]).expect(t, "placed", true, agent.Us)
	if after := bundle(t); len(after) != len(before)+1 || times(after, fps[1]) != 1 {
		t.Errorf("%d certificates before, %d after", len(before), len(after))
	}
}

func c07Once(t *testing.T, dir string) {
	fp, o := prints(t, dir)[0], newOffice(t)
	twice := filepath.Join(dir, "twice.pem")
	if got := vetted(t, 0, twice)[0]; !slices.Equal(got.roots(), []string{fp}) || got.Certs[0].Copies != 2 {
		t.Errorf("twice.pem: %+v", got)
	}
	o.sign(entry{file: twice, sha: fp, standing: "trusted"})
	result(t, 0, "enforce").placement(t, fp).expect(t, "placed", true, agent.Us)
	clean(t, ownFile(t, fp), fp)
	known(t, fp, twice, true)
}

func c07TwoNames(t *testing.T, dir string) {
	fp, o := prints(t, dir)[0], newOffice(t)
	for _, name := range []string{"harbour.crt", "zz-old-copy.crt"} {
		write(t, filepath.Join(sourceDir, name), read(t, filepath.Join(dir, "two-names", name)), 0o644)
	}
	o.sign(entry{file: filepath.Join(dir, "twice.pem"), sha: fp, standing: "trusted"})
	e := must(t, 0, "/", "enforce", "--json")
	if e.err != "" {
		t.Errorf("it complains: %s", e.err)
	}
	p := decoded(t, e).placement(t, fp)
	p.expect(t, "placed", true, agent.ByHand)
	says(t, strings.Join(p.Notes, "\n"), "stray", "zz-old-copy.crt")
	must(t, 0, "/", "verify")
}

// c07Wrong reads the store after each of our runs and after one of the
// platform's own tool.
func c07Wrong(t *testing.T, dir string) {
	fp, twice := prints(t, dir)[0], filepath.Join(dir, "twice.pem")
	for _, name := range []string{"three-roots.pem", "twice.pem"} {
		if v := vetted(t, 0, filepath.Join(dir, name))[0]; name == "three-roots.pem" && len(v.roots()) != 3 {
			t.Errorf("%d roots of %s", len(v.roots()), name)
		}
	}
	c07TwoNames(t, dir)
	known(t, fp, twice, true)
	r := result(t, 0, "enforce")
	if len(r.Changes) > 0 || r.Error != "" {
		t.Errorf("the second run does something: %+v %s", r.Changes, r.Error)
	}
	known(t, fp, twice, true)
}
