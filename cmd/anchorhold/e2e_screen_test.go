package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/trust/trusttest"
)

// commands are all command lines of the program, the hidden one left out.
func commands() [][]string {
	var all [][]string
	var walk func(c *cobra.Command, path []string)
	walk = func(c *cobra.Command, path []string) {
		all = append(all, path)
		for _, sub := range c.Commands() {
			if !sub.Hidden {
				walk(sub, append(append([]string{}, path...), sub.Name()))
			}
		}
	}
	root := newApp(stdio{}, nil).command()
	root.InitDefaultCompletionCmd()
	walk(root, nil)
	return all
}

func TestHelp(t *testing.T) {
	if testing.Short() {
		t.Skip("it builds the program: not in a -short run")
	}
	all := commands()
	if len(all) < 20 {
		t.Fatalf("only %d commands", len(all))
	}
	for _, c := range all {
		e := must(t, 0, t.TempDir(), append(c, "--help")...)
		if len(strings.TrimSpace(e.out)) < 100 || e.err != "" {
			t.Errorf("%q: no help:\n%s", c, e.all())
		}
		says(t, e.out, "Usage", "anchorhold "+strings.Join(c, " "))
		for line := range strings.Lines(e.out) {
			if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); n > 80 {
				t.Errorf("%q: %d columns: %s", c, n, line)
			}
		}
	}
	for _, wrong := range [][]string{{"no-such-command"}, {"verify", "--no-such-flag"}, {"verify", "surplus"}, {"vet"}, {"adopt"}, {"keys", "new"}, {"keyset", "new"}} {
		e := must(t, exitUnknown, t.TempDir(), wrong...)
		if e.err == "" || strings.Contains(e.err, "panic") {
			t.Errorf("%q: %s", wrong, e.all())
		}
	}
}

func TestCompletionScripts(t *testing.T) {
	if testing.Short() {
		t.Skip("it builds the program: not in a -short run")
	}
	for shell, check := range map[string][]string{"bash": {"bash", "-n"}, "zsh": {"zsh", "-n"}, "fish": {"fish", "-n"}, "powershell": nil} {
		script := must(t, 0, t.TempDir(), "completion", shell).out
		if len(script) < 500 {
			t.Errorf("%s: %d bytes", shell, len(script))
		}
		if check == nil {
			continue
		}
		if _, err := os.Stat("/usr/bin/" + check[0]); err != nil {
			if shell == "bash" {
				trusttest.Lacking(t, "bash")
			}
			t.Logf("%s is not here", shell)
			continue
		}
		file := filepath.Join(t.TempDir(), "script")
		write(t, file, script, 0o644)
		tool(t, check[0], append(check[1:], file)...)
	}
	// What the script asks the program for.
	e := must(t, 0, t.TempDir(), "__complete", "ver")
	says(t, e.out, "verify")
	e = must(t, 0, t.TempDir(), "__complete", "draft", "")
	says(t, e.out, "new", "check", "revert")
}

// TestEveryCommandInJSON runs each command once with --json.
func TestEveryCommandInJSON(t *testing.T) {
	if !onMachine(t) {
		return
	}
	d := t.TempDir()
	a := trusttest.NewAuthority(t, "Harbour JSON")
	write(t, filepath.Join(d, "root.pem"), string(a.PEM()), 0o644)
	var starter string
	fp := a.Root().Fingerprint.String()
	ran := map[string]bool{}
	for _, c := range []struct {
		code int
		args []string
	}{
		{exitUnknown, []string{"verify"}}, {exitUnknown, []string{"enforce"}},
		{0, []string{"keys", "new", "--policy", "harbour", "--no-passphrase"}}, {0, []string{"keys", "show", "harbour.pub"}},
		{0, []string{"keyset", "new", "--policy", "other", "--threshold", "1", "--out", "other.set", "harbour.pub"}}, {0, []string{"keyset", "show", "harbour.keyset"}},
		{0, []string{"vet", "root.pem"}}, {exitWrong, []string{"vet", "harbour.keyset"}},
		{0, []string{"draft", "new", "--root", "root.pem"}}, {0, []string{"draft", "check"}},
		{0, []string{"sign", "--key", "harbour.key"}}, {0, []string{"open", "harbour.policy"}}, {exitWrong, []string{"countersign", "--key", "harbour.key", "harbour.policy"}},
		{0, []string{"starter", "--policy", d + "/harbour.policy"}}, {0, []string{"adopt", "starter.toml"}},
		{exitWrong, []string{"verify"}}, {exitWrong, []string{"preview"}}, {0, []string{"history"}}, {0, []string{"enforce"}},
		{0, []string{"suspend", fp, "--for", "1h", "a test"}}, {exitWrong, []string{"verify"}}, {0, []string{"suspend", fp, "--end"}},
		{0, []string{"verify"}}, {0, []string{"preview"}}, {0, []string{"history"}},
		{exitUnknown, []string{"draft", "revert", "7"}}, {exitUnknown, []string{"draft", "check", "nowhere.toml"}}, {exitUnknown, []string{"open", "nowhere.policy"}}, {exitUnknown, []string{"dependents", "nowhere.pem"}}, {exitUnknown, []string{"probe", "localhost:1"}}, {exitUnknown, []string{"probe"}},
	} {
		e := anchorhold(t, d, append(c.args, "--json")...)
		what := strings.Join(c.args, " ")
		if e.code != c.code {
			t.Errorf("%s: exit %d, want %d\n%s", what, e.code, c.code, e.all())
		}
		var v map[string]any
		if err := json.Unmarshal([]byte(e.out), &v); err != nil {
			t.Errorf("%s: %v\n%s", what, err, e.all())
			continue
		}
		if v["schema"] != float64(jsonSchema) {
			t.Errorf("%s: schema %v", what, v["schema"])
		}
		if got, has := v["exit"]; has && got != float64(c.code) {
			t.Errorf("%s: exit %v in the result, %d", what, got, c.code)
		}
		for name := range members(v) {
			if name != strings.ToLower(name) || strings.ContainsAny(name, " -") {
				t.Errorf("%s: a member is called %q", what, name)
			}
		}
		if c.args[0] == "starter" {
			starter = must(t, 0, d, c.args...).out
			write(t, filepath.Join(d, "starter.toml"), starter, 0o644)
		}
		ran[c.args[0]] = true
	}
	for _, c := range commands() {
		if len(c) > 0 && !ran[c[0]] && c[0] != "completion" && c[0] != "help" {
			t.Errorf("%s was not asked for JSON", c[0])
		}
	}
}

// members are the names of all members, but of those whose names are data.
func members(v any) map[string]bool {
	all := map[string]bool{}
	switch v := v.(type) {
	case map[string]any:
		for name, x := range v {
			all[name] = true
			for n := range members(x) {
				all[n] = true
			}
		}
	case []any:
		for _, x := range v {
			for n := range members(x) {
				all[n] = true
			}
		}
	}
	return all
}

// TestLookingChangesNothing runs every command that only looks, as root and as
// nobody, and compares every byte and every time of the machine.
func TestLookingChangesNothing(t *testing.T) {
	if !onMachine(t) {
		return
	}
	o := newOffice(t)
	_, e := o.authority("Harbour Looked At")
	_, f := o.authority("Harbour Not Yet")
	looks := [][]string{{"verify"}, {"verify", "--json"}, {"preview"}, {"preview", "--json"}, {"history"}, {"vet", e.file}, {"vet", "--store", bundleFile},
		{"open", o.path("harbour.policy")}, {"draft", "check", o.path("draft-1.toml")}, {"keyset", "show", o.path("harbour.keyset")}, {"starter", "--keyset", o.path("harbour.keyset")},
		{"preview", "--policy", o.path("harbour.policy")}, {"--version"}, {"--help"}}
	o.sign(e)
	for _, stage := range []string{"before the first run", "in force", "with work to do", "retired", "without a source"} {
		switch stage {
		case "in force":
			result(t, 0, "enforce")
		case "with work to do":
			o.sign(e, f)
		case "retired":
			o.sign(e.as("retired"), f)
		case "without a source":
			if err := os.Remove(inForce); err != nil {
				t.Fatal(err)
			}
		}
		was, office := tree(t), files(t, o.dir)
		for _, args := range looks {
			if e := anchorhold(t, "/", args...); e.out == "" && e.err == "" {
				t.Errorf("%q says nothing", args)
			}
			asNobody(t, installed, args...)
		}
		if t.Failed() {
			t.Fatal(stage)
		}
		was.same(t, tree(t))
		office.same(t, files(t, o.dir))
		if t.Failed() {
			t.Fatal(stage)
		}
	}
}
