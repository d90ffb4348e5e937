package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/trust/root"
)

// nobody is the account of least rights on every Debian.
const nobody = 65534

// ended is how a program ended.
type ended struct {
	code     int
	out, err string
	kib      int64 // the most memory that it had at once
}

func (e ended) all() string { return e.out + e.err }

// call runs a program to its end, which must come by itself.
func call(t *testing.T, c *exec.Cmd) ended {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), callLimit)
	defer cancel()
	b := exec.CommandContext(ctx, c.Path, c.Args[1:]...)
	b.Dir, b.Env, b.Stdin, b.SysProcAttr, b.ExtraFiles = c.Dir, c.Env, c.Stdin, c.SysProcAttr, c.ExtraFiles
	var out, err bytes.Buffer
	b.Stdout, b.Stderr = &out, &err
	why := b.Run()
	var exit *exec.ExitError
	if why != nil && (!errors.As(why, &exit) || !exit.Exited()) {
		t.Fatalf("%s: %v\n%s%s", strings.Join(c.Args, " "), why, &out, &err)
	}
	e := ended{code: b.ProcessState.ExitCode(), out: out.String(), err: err.String()}
	e.kib = peak(b.ProcessState)
	return e
}

// anchorhold runs the program in a folder with an environment of nothing.
func anchorhold(t *testing.T, dir string, args ...string) ended {
	t.Helper()
	return call(t, &exec.Cmd{Path: program(t), Args: append([]string{"anchorhold"}, args...), Dir: dir, Env: []string{}})
}

// must is anchorhold where the exit code is known.
func must(t *testing.T, code int, dir string, args ...string) ended {
	t.Helper()
	e := anchorhold(t, dir, args...)
	if e.code != code {
		t.Fatalf("anchorhold %s: exit %d, want %d\n%s", strings.Join(args, " "), e.code, code, e.all())
	}
	return e
}

// tool runs another program as root, and fails where it fails.
func tool(t *testing.T, name string, args ...string) string {
	t.Helper()
	e := call(t, command(name, args...))
	if e.code != 0 {
		t.Fatalf("%s %s: exit %d\n%s", name, strings.Join(args, " "), e.code, e.all())
	}
	return e.out
}

// asNobody runs a program as the account of least rights.
func asNobody(t *testing.T, name string, args ...string) ended {
	t.Helper()
	c := exec.Command(name, args...)
	c.Dir, c.Env = "/", []string{"PATH=/usr/bin:/bin", "LC_ALL=C"}
	demote(t, c)
	return call(t, c)
}

// result runs a command of the host with --json and decodes what it says.
func result(t *testing.T, code int, args ...string) jsonResult {
	t.Helper()
	e := must(t, code, "/", append(args, "--json")...)
	return decoded(t, e)
}

func decoded(t *testing.T, e ended) jsonResult {
	t.Helper()
	var r jsonResult
	decode(t, e.out, &r)
	if r.Schema != jsonSchema || r.Exit != e.code {
		t.Errorf("schema %d, exit %d in the result; ended with %d", r.Schema, r.Exit, e.code)
	}
	return r
}

func decode(t *testing.T, text string, v any) {
	t.Helper()
	dec := json.NewDecoder(strings.NewReader(text))
	dec.DisallowUnknownFields()
	if err := dec.Decode(v); err != nil {
		t.Fatalf("%v in\n%s", err, text)
	}
	if dec.More() {
		t.Fatalf("more than one result in\n%s", text)
	}
}

// placement is the one row about a root.
func (r jsonResult) placement(t *testing.T, fp string) jsonPlacement {
	t.Helper()
	for _, p := range r.Placements {
		if p.Root.String() == fp {
			return p
		}
	}
	t.Fatalf("no placement of %s in %+v", fp, r.Placements)
	return jsonPlacement{}
}

// expect compares state, owner and whether it is right.
func (p jsonPlacement) expect(t *testing.T, state string, right bool, owner agent.Owner) {
	t.Helper()
	if string(p.State) != state || p.Right != right || p.Owner != owner {
		t.Errorf("%s: %s, right %v, owner %q; want %s, %v, %q (%q, %q)", p.Label, p.State, p.Right, p.Owner, state, right, owner, p.Reasons, p.Notes)
	}
}

// says wants every word in a text.
func says(t *testing.T, text string, words ...string) {
	t.Helper()
	for _, w := range words {
		if !strings.Contains(text, w) {
			t.Errorf("%q is missing in\n%s", w, text)
		}
	}
}

// never wants none of the words in a text.
func never(t *testing.T, text string, words ...string) {
	t.Helper()
	for _, w := range words {
		if strings.Contains(text, w) {
			t.Errorf("%q stands in\n%s", w, text)
		}
	}
}

// prints are the SHA-256 that a case's EXPECT.txt names, in order.
func prints(t *testing.T, dir string) []string {
	t.Helper()
	var found []string
	for _, w := range strings.Fields(read(t, filepath.Join(dir, "EXPECT.txt"))) {
		if w = strings.Trim(w, ".,;:()"); len(w) == 64 && strings.Trim(w, "0123456789abcdef") == "" {
			found = append(found, w)
		}
	}
	if len(found) == 0 {
		t.Fatalf("%s: EXPECT.txt names no SHA-256", dir)
	}
	return found
}

func read(t *testing.T, name string) string {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

func write(t *testing.T, name, text string, perm os.FileMode) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, []byte(text), perm); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(name, perm); err != nil {
		t.Fatal(err)
	}
}

// vetted runs 'vet --json' on files and returns what it says.
func vetted(t *testing.T, code int, args ...string) []jsonVetted {
	t.Helper()
	e := must(t, code, "/", append([]string{"vet", "--json"}, args...)...)
	var v struct {
		Schema int          `json:"schema"`
		Exit   int          `json:"exit"`
		Files  []jsonVetted `json:"files"`
	}
	decode(t, e.out, &v)
	if v.Schema != jsonSchema || v.Exit != code {
		t.Errorf("schema %d, exit %d in the result", v.Schema, v.Exit)
	}
	return v.Files
}

// roots are the fingerprints of what a vetted file offers for placing.
func (v jsonVetted) roots() []string {
	var fps []string
	for _, c := range v.Certs {
		if c.Refused == nil && c.Role == root.RoleRoot {
			fps = append(fps, c.SHA256.String())
		}
	}
	return fps
}

func (c jsonCertificate) finding(code string) (root.Finding, bool) {
	for _, f := range c.Findings {
		if f.Code == code {
			return f, true
		}
	}
	return root.Finding{}, false
}

// waits names what a sentence asks for beyond what the program can do yet.
func waits(t *testing.T, what string) {
	t.Helper()
	t.Logf("waits for %s", what)
}

// command is another program with an environment of almost nothing.
func command(name string, args ...string) *exec.Cmd {
	c := exec.Command(name, args...)
	c.Dir, c.Env = "/", []string{"PATH=/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL=C"}
	return c
}
