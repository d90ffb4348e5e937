package main

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/agent"
)

// What a store looks like when somebody was there before: C26, C32 and C35.

// overlay lays a case's tree over the machine, modes and links and all.
func overlay(t *testing.T, dir string) {
	t.Helper()
	for _, d := range []string{"etc", "usr"} {
		if _, err := os.Stat(filepath.Join(dir, d)); err == nil {
			tool(t, "cp", "-a", filepath.Join(dir, d)+"/.", "/"+d)
		}
	}
}

// c26Root is the case's root in a readable file.
func c26Root(dir string) string {
	return filepath.Join(filepath.Dir(dir), "C07", "two-names", "harbour.crt")
}

func c26Shut(t *testing.T, dir string) {
	fp, o := prints(t, dir)[0], newOffice(t)
	o.sign(entry{file: c26Root(dir), sha: fp, standing: "trusted"})
	overlay(t, dir)
	if times(bundle(t), fp) != 1 {
		t.Fatal("it is not in the bundle")
	}
	p := result(t, exitWrong, "verify").placement(t, fp)
	p.expect(t, "unreadable", false, agent.ByHand)
	says(t, strings.Join(p.Reasons, "\n"), sourceDir+"/harbour.crt has mode 0600", "other accounts need 0644")
}

func c26Locked(t *testing.T, dir string) {
	fp, o := prints(t, dir)[0], newOffice(t)
	o.sign(entry{file: c26Root(dir), sha: fp, standing: "trusted"})
	overlay(t, filepath.Join(dir, "locked"))
	e := must(t, exitWrong, "/", "verify")
	all, one := strings.Index(e.out, "all of bundle is shut"), strings.Index(e.out, "in source: "+sourceDir)
	if all < 0 || one < 0 || one < all {
		t.Errorf("that the whole store is shut is not said first:\n%s", e.out)
	}
	r := result(t, exitWrong, "verify")
	r.placement(t, fp).expect(t, "unreadable", false, agent.ByHand)
	i := slices.IndexFunc(r.Stores[0].Parts, func(p jsonPart) bool { return p.Name == "bundle" })
	if i < 0 || !strings.Contains(r.Stores[0].Parts[i].Blocked, "0600") {
		t.Errorf("the bundle is not told to be shut: %+v", r.Stores[0].Parts)
	}
}

func c26Mended(t *testing.T, dir string) {
	fp, o := prints(t, dir)[0], newOffice(t)
	o.sign(entry{file: c26Root(dir), sha: fp, standing: "trusted"})
	for _, tree := range []string{dir, filepath.Join(dir, "locked")} {
		overlay(t, tree)
		before := bundle(t)
		e := call(t, command("/bin/sh", "-c", "umask 077; exec "+installed+" enforce --json"))
		if e.code != 0 {
			t.Fatalf("exit %d\n%s", e.code, e.all())
		}
		p := decoded(t, e).placement(t, fp)
		p.expect(t, "placed", true, agent.ByHand)
		if len(p.Proofs) != 1 || p.Proofs[0].Account != "nobody" || !p.Proofs[0].Holds {
			t.Errorf("proofs %+v", p.Proofs)
		}
		for name, want := range map[string]os.FileMode{sourceDir: 0o755, sourceDir + "/harbour.crt": 0o644, bundleFile: 0o644, linkFolder: 0o755, javaStore: 0o644} {
			if info, err := os.Stat(name); err == nil && info.Mode().Perm() != want {
				t.Errorf("%s has mode %04o", name, info.Mode().Perm())
			}
		}
		if lost := missing(before, bundle(t)); len(lost) > 0 {
			t.Errorf("the bundle lost %q", lost)
		}
		known(t, fp, c26Root(dir), true)
	}
}

// c32Retired has the policy retire the root, on a machine with the tree on it.
func c32Retired(t *testing.T, dir string) (fp string, others []string) {
	t.Helper()
	fp, o := prints(t, dir)[0], newOffice(t)
	o.sign(entry{file: filepath.Join(dir, "retired.pem"), sha: fp, standing: "retired"})
	overlay(t, dir)
	return fp, slices.DeleteFunc(bundle(t), func(f string) bool { return f == fp })
}

func c32Lingers(t *testing.T, dir string) {
	fp, _ := c32Retired(t, dir)
	p := result(t, exitWrong, "verify").placement(t, fp)
	p.expect(t, "lingering", false, agent.ByHand)
}

func c32Named(t *testing.T, dir string) {
	fp, _ := c32Retired(t, dir)
	p := result(t, exitWrong, "verify").placement(t, fp)
	for _, words := range [][]string{{"in bundle", bundleFile}, {"in java", javaStore + "#debian:harbour-2015.pem"},
		{"points to a file that is gone", "/harbour-2015.pem"}, {"points to a file that is gone", subjectHash(t, filepath.Join(dir, "retired.pem")) + ".0"}} {
		if !slices.ContainsFunc(p.Reasons, func(r string) bool { return strings.Contains(r, words[0]) && strings.Contains(r, words[1]) }) {
			t.Errorf("%q is not named in %q", words, p.Reasons)
		}
	}
}

func c32Gone(t *testing.T, dir string) {
	fp, others := c32Retired(t, dir)
	if len(others) != 2 {
		t.Fatalf("%d other roots", len(others))
	}
	result(t, 0, "enforce", "--force", "every service has moved").placement(t, fp).expect(t, "absent", true, "")
	after := bundle(t)
	if times(after, fp) > 0 || len(missing(others, after)) > 0 {
		t.Errorf("in the bundle: the root %d times, of the others lost %q", times(after, fp), missing(others, after))
	}
	if list := java(t); list != nil && (times(list, fp) > 0 || len(missing(others, list)) > 0) {
		t.Errorf("in Java's store: the root %d times, of the others lost %q", times(list, fp), missing(others, list))
	}
	for _, name := range []string{"harbour-2015.pem", subjectHash(t, filepath.Join(dir, "retired.pem")) + ".0"} {
		if _, err := os.Lstat(filepath.Join(linkFolder, name)); err == nil {
			t.Errorf("%s is still there", name)
		}
	}
}

func c32ReadBack(t *testing.T, dir string) {
	fp, _ := c32Retired(t, dir)
	result(t, 0, "enforce", "--force", "every service has moved")
	known(t, fp, filepath.Join(dir, "retired.pem"), false)
	says(t, must(t, 0, "/", "history").out, "done", "absent")
}

func c32Wrong(t *testing.T, dir string) {
	fp, _ := c32Retired(t, dir)
	if p := result(t, exitWrong, "verify").placement(t, fp); p.State == "absent" || p.Right {
		t.Errorf("it is called %s", p.State)
	}
	tool(t, platform) // what an administrator would try
	if list := java(t); list != nil && times(list, fp) == 1 {
		if p := result(t, exitWrong, "verify").placement(t, fp); p.State == "absent" || p.Right {
			t.Errorf("Java has it and it is called %s", p.State)
		}
	}
}

var c35Good = []string{"climb", "slash", "dots", "option", "glob", "device", "long", "no-cn"}

// c35Words are what the certificates call themselves, as far as it is no word
// of any program.
var c35Words = []string{"../../etc/cron.d", "Harbour/Lab/Root", "-rf --help", "touch pwned", "`id`", "Harbour xxxx"}

// c35Run places the roots and takes them out, and returns what every program
// that was started got to see.
func c35Run(t *testing.T, dir string) (before, between, after treeState, started string) {
	t.Helper()
	o := newOffice(t)
	before = tree(t)
	var draft []string
	for _, name := range c35Good {
		draft = append(draft, "--root", filepath.Join(dir, name+".pem"))
	}
	must(t, 0, o.dir, append([]string{"draft", "new"}, draft...)...)
	must(t, 0, o.dir, "sign", "--key", "harbour.key")
	o.publish()
	started = traced(t, 0, "enforce", "--json")
	between = tree(t)
	o.version = 1
	var out []entry
	force := []string{"enforce", "--json", "--force", "they were a test"}
	for _, name := range c35Good {
		file := filepath.Join(dir, name+".pem")
		e := entry{label: name, file: file, sha: blocksOf(t, read(t, file))[0], standing: "retired"}
		out, force = append(out, e), append(force, "--root", e.sha)
	}
	o.sign(out...)
	started += traced(t, 0, force...)
	return before, between, tree(t), started
}

// traced runs the program and returns the arguments and the environment of
// every program that it started, and theirs.
func traced(t *testing.T, code int, args ...string) string {
	t.Helper()
	if _, err := os.Stat("/usr/bin/strace"); err != nil {
		must(t, code, "/", args...)
		t.Log("without strace it is not seen what was started")
		return ""
	}
	log := filepath.Join(t.TempDir(), "log")
	if e := call(t, command("strace", append([]string{"-f", "-v", "-s", "100000", "-e", "trace=execve", "-o", log, installed}, args...)...)); e.code != code {
		t.Fatalf("exit %d, want %d\n%s", e.code, code, e.all())
	}
	text := read(t, log)
	if n := strings.Count(text, "execve("); n < 3 {
		t.Fatalf("only %d programs were seen", n)
	}
	return text
}

var madeName = regexp.MustCompile(`^(anchorhold-[0-9a-f]{32}\.(crt|pem)|[0-9a-f]{8}\.[0-9]+)$`)

func c35Names(t *testing.T, dir string) {
	before, between, _, started := c35Run(t, dir)
	for _, w := range c35Words {
		if strings.Contains(started, w) {
			t.Errorf("a program was started with %q", w)
		}
	}
	n := 0
	for name := range between {
		if _, was := before[name]; was || strings.HasPrefix(name, "/var/lib/anchorhold") || strings.HasPrefix(name, "/etc/anchorhold") {
			continue
		}
		n++
		if d := filepath.Dir(name); d != sourceDir && d != linkFolder || !madeName.MatchString(filepath.Base(name)) {
			t.Errorf("%q appeared", name)
		}
	}
	if n != 3*len(c35Good) {
		t.Errorf("%d names appeared for %d roots", n, len(c35Good))
	}
}

func c35Empty(t *testing.T, dir string) {
	f := refusedFor(t, filepath.Join(dir, "empty.pem"), "empty-subject")
	says(t, f.Source, "RFC 5280 4.1.2.6", "Java cannot read it")
}

func c35NoName(t *testing.T, dir string) {
	file := filepath.Join(dir, "no-cn.pem")
	v := vetted(t, 0, file)[0]
	says(t, v.Certs[0].Subject, "Harbour Lab", "Root Keys")
	d := t.TempDir()
	must(t, 0, d, "draft", "new", "--name", "harbour", "--root", file)
	says(t, read(t, filepath.Join(d, "draft.toml")), `label = "OU=Root Keys, O=Harbour Lab"`)
}

func c35After(t *testing.T, dir string) {
	here, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	before, _, after, _ := c35Run(t, dir)
	for name := range after {
		if _, was := before[name]; !was && !strings.HasPrefix(name, "/var/lib/anchorhold") && name != inForce {
			t.Errorf("%q was left", name)
		}
	}
	for name := range before {
		if _, is := after[name]; !is {
			t.Errorf("%q was taken out too", name)
		}
	}
	for _, d := range []string{here, "/", "/tmp", "/etc", sourceDir, linkFolder, "/var/lib/anchorhold"} {
		if _, err := os.Lstat(filepath.Join(d, "pwned")); err == nil {
			t.Errorf("%s/pwned is there", d)
		}
	}
}
