//go:build linux

package faults_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/trust/trusttest"
	"anchorhold.test/anchorhold/trust/trusttest/tracer"
)

// machine is the private machine of a test, with the program on it.
type machine struct {
	t       *testing.T
	office  string // where policies are signed
	version int
	vendors []authority
	sampler *sampler
}

// authority is a root by what the tests need of it.
type authority struct {
	label, pem, sha string
	file            string // of the vendor's, in conf
	hash            string // under which OpenSSL looks it up
}

// smallSet is how many roots of the vendor a small store has.
const smallSet = 6

// onMachine gives a test a private copy of this machine. Outside of that it
// returns nil, and all is done.
func onMachine(t *testing.T, small, java bool) *machine {
	t.Helper()
	if testing.Short() {
		t.Skip("it takes minutes: not in a -short run")
	}
	if os.Geteuid() != 0 {
		trusttest.Lacking(t, "root: it works on a machine of its own")
	}
	trusttest.Need(t, "update-ca-certificates", "openssl")
	if !trusttest.Inside() {
		t.Parallel() // each on a machine of its own
	}
	if !trusttest.Private(t, programPath+"="+program(t)) {
		return nil
	}
	m := &machine{t: t, office: "/var/office"}
	if err := os.Mkdir(m.office, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, dir := range []string{settings, stateDir} {
		if err := os.RemoveAll(dir); err != nil { // of whoever uses this machine
			t.Fatal(err)
		}
	}
	m.run("cp", program(t), installed)
	m.run("mount", "-t", "tmpfs", "-o", "mode=1777", "tmpfs", "/tmp") // what a run leaves there is seen
	conf := selected(t)
	if small {
		conf = conf[:smallSet]
		m.write(confFile, strings.Join(conf, "\n")+"\n")
	}
	if !java {
		m.run("rm", "-rf", hooksDir+"/jks-keystore", filepath.Dir(javaStore))
	}
	if small { // the witness asks fewer: none of them writes, and each costs time at every point
		m.run("rm", "-f", "/usr/bin/certtool", "/usr/bin/python3", "/usr/bin/certutil", "/usr/bin/keytool")
	}
	m.run(platform, "--fresh")
	for i, file := range conf {
		a := m.authority(filepath.Join("/usr/share/ca-certificates", file))
		a.label, a.file = fmt.Sprintf("vendor %d", i), file
		m.vendors = append(m.vendors, a)
	}
	m.must(0, "keys", "new", "--policy", "harbour", "--no-passphrase")
	// The listeners of the machine around this one are asked nothing.
	m.write(m.path("starter.toml"), strings.Replace(m.must(0, "starter"), "look = true", "look = false", 1))
	return m
}

// selected lists the files that the machine's conf selects.
func selected(t *testing.T) []string {
	t.Helper()
	data, err := os.ReadFile(confFile)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for line := range strings.Lines(string(data)) {
		if line = strings.TrimSpace(line); line != "" && line[0] != '#' && line[0] != '!' {
			names = append(names, line)
		}
	}
	if len(names) < smallSet {
		t.Fatalf("the vendor's set has only %d roots", len(names))
	}
	return names
}

func (m *machine) path(name string) string { return filepath.Join(m.office, name) }

func (m *machine) write(name, text string) {
	m.t.Helper()
	if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
		m.t.Fatal(err)
	}
}

func (m *machine) read(name string) string {
	m.t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		m.t.Fatal(err)
	}
	return string(data)
}

// ended is how a program ended.
type ended struct {
	code     int
	out, err string
}

func (e ended) all() string { return e.out + e.err }

// bare is the environment of everything that runs here.
var bare = []string{"PATH=/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL=C"}

// call runs a program to its end, which must come by itself.
func (m *machine) call(name string, args ...string) ended {
	m.t.Helper()
	ctx, cancel := context.WithTimeout(m.t.Context(), callLimit)
	defer cancel()
	c := exec.CommandContext(ctx, name, args...)
	var out, text bytes.Buffer
	c.Dir, c.Env, c.Stdout, c.Stderr = m.office, bare, &out, &text
	err := c.Run()
	var exit *exec.ExitError
	if err != nil && (!errors.As(err, &exit) || !exit.Exited()) {
		m.t.Fatalf("%s %s: %v\n%s%s", name, strings.Join(args, " "), err, &out, &text)
	}
	return ended{c.ProcessState.ExitCode(), out.String(), text.String()}
}

// run runs a program that must succeed.
func (m *machine) run(name string, args ...string) string {
	m.t.Helper()
	e := m.call(name, args...)
	if e.code != 0 {
		m.t.Fatalf("%s %s: exit %d\n%s", name, strings.Join(args, " "), e.code, e.all())
	}
	return e.out
}

// must runs the program itself.
func (m *machine) must(code int, args ...string) string {
	m.t.Helper()
	e := m.call(installed, args...)
	if e.code != code {
		m.t.Fatalf("anchorhold %s: exit %d, not %d\n%s", strings.Join(args, " "), e.code, code, e.all())
	}
	return e.out
}

// trace runs the program under the tracer.
func (m *machine) trace(o tracer.Options, args ...string) tracer.Run {
	m.t.Helper()
	ctx, cancel := context.WithTimeout(m.t.Context(), callLimit)
	defer cancel()
	r, err := tracer.Trace(ctx, tracer.Program{Path: installed, Args: append([]string{"anchorhold"}, args...), Env: bare, Dir: "/"}, o)
	if err != nil {
		m.t.Fatalf("anchorhold %s: %v\n%s%s", strings.Join(args, " "), err, r.Out, r.Err)
	}
	return r
}

// authority reads a root's file.
func (m *machine) authority(file string) authority {
	m.t.Helper()
	text := m.read(file)
	out := m.run("openssl", "x509", "-in", file, "-outform", "DER")
	sum := sha256.Sum256([]byte(out))
	return authority{pem: text, sha: hex.EncodeToString(sum[:]), hash: strings.TrimSpace(m.run("openssl", "x509", "-in", file, "-noout", "-hash"))}
}

// found makes a root of the harbour's own.
func (m *machine) found(name string) authority {
	m.t.Helper()
	file := m.path(name + ".pem")
	m.write(file, string(trusttest.NewAuthority(m.t, "Harbour "+name).PEM()))
	a := m.authority(file)
	a.label = name
	return a
}

// standing is one root of a policy.
type standing struct {
	authority
	is string
}

// sign signs the next version of the policy and puts it where the host reads.
func (m *machine) sign(roots ...standing) {
	m.t.Helper()
	m.version++
	var b strings.Builder
	fmt.Fprintf(&b, "name = \"harbour\"\nversion = %d\nexpires = \"90d\"\n", m.version)
	for _, r := range roots {
		m.write(m.path(r.label+".pem"), r.pem)
		fmt.Fprintf(&b, "[[root]]\nlabel = %q\nfile = %q\nsha256 = %q\nstanding = %q\n", r.label, r.label+".pem", r.sha, r.is)
	}
	m.write(m.path("draft.toml"), b.String())
	m.must(0, "sign", "--key", "harbour.key", "draft.toml")
	m.write(inForce, m.read(m.path("harbour.policy")))
}
