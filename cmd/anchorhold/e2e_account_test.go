package main

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/agent"
)

// TestBareSurroundings starts the program as a service manager would: foreign
// working folder with decoys, umask 077, no HOME, no LANG, nothing to read.
func TestBareSurroundings(t *testing.T) {
	if !onMachine(t) {
		return
	}
	o := newOffice(t)
	_, e := o.authority("Harbour Bare")
	o.sign(e)
	foreign := "/var/tmp/system32"
	for _, name := range []string{"agent.toml", "harbour.policy", "policy.jws", "harbour.keyset", "draft.toml"} {
		write(t, filepath.Join(foreign, name), "decoy\n", 0o644)
	}
	was := files(t, foreign)
	bare := func(code int, args ...string) ended {
		t.Helper()
		c := command("/bin/sh", append([]string{"-c", `umask 077; cd /var/tmp/system32; exec env -i "$@" </dev/null`, "sh", installed}, args...)...)
		end := call(t, c)
		if end.code != code {
			t.Fatalf("%q: exit %d, want %d\n%s", args, end.code, code, end.all())
		}
		return end
	}
	decoded(t, bare(0, "enforce", "--json")).placement(t, e.sha).expect(t, "placed", true, agent.Us)
	bare(0, "verify")
	bare(0, "preview")
	bare(0, "history")
	known(t, e.sha, e.file, true)
	was.same(t, files(t, foreign))
	for name, want := range map[string]os.FileMode{
		"/etc/anchorhold": 0o755, "/etc/anchorhold/agent.toml": 0o644, "/var/lib/anchorhold": 0o755, "/var/lib/anchorhold/status.json": 0o644,
		"/var/lib/anchorhold/ledger.json": 0o600, "/var/lib/anchorhold/history.jsonl": 0o600, "/var/lib/anchorhold/" + agent.PolicyFile: 0o600,
		"/var/lib/anchorhold/" + agent.FloorFile: 0o600, "/var/lib/anchorhold/" + agent.IdentityFile: 0o600,
		ownFile(t, e.sha): 0o644, sourceDir: 0o755, bundleFile: 0o644, javaStore: 0o644,
	} {
		info, err := os.Stat(name)
		if os.IsNotExist(err) && name == javaStore {
			continue
		}
		if err != nil || info.Mode().Perm() != want {
			t.Errorf("%s: %v, want %04o (%v)", name, info.Mode(), want, err)
		}
	}
	if left, _ := filepath.Glob("/var/lib/anchorhold/stage*"); len(left) > 0 {
		t.Errorf("left over: %q", left)
	}
}

// TestUnderAnotherUmask takes the settings in a closed umask too.
func TestUnderAnotherUmask(t *testing.T) {
	if !onMachine(t) {
		return
	}
	o := &office{t: t, dir: t.TempDir()}
	must(t, 0, o.dir, "keys", "new", "--policy", "harbour", "--no-passphrase")
	if info, err := os.Stat(o.path("harbour.key")); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the key: %v, %v", info, err)
	}
	write(t, o.path("starter.toml"), must(t, 0, o.dir, "starter").out, 0o644)
	if e := call(t, command("/bin/sh", "-c", "umask 077; exec "+installed+" adopt "+o.path("starter.toml"))); e.code != 0 {
		t.Fatal(e.all())
	}
	_, e := o.authority("Harbour Shut")
	o.sign(e)
	result(t, 0, "enforce")
	v := asNobody(t, installed, "verify", "--json")
	if v.code != 0 {
		t.Errorf("nobody cannot verify what was set up under umask 077: %d\n%s", v.code, v.all())
	}
}

// TestNobodyLooks runs every command of a host as an account without rights.
func TestNobodyLooks(t *testing.T) {
	if !onMachine(t) {
		return
	}
	o := newOffice(t)
	_, e := o.authority("Harbour Seen")
	o.sign(e)
	v := asNobody(t, installed, "verify", "--json")
	if v.code != exitWrong {
		t.Errorf("before the first run: exit %d\n%s", v.code, v.all())
	}
	result(t, 0, "enforce")
	v = asNobody(t, installed, "verify", "--json")
	if v.code != 0 {
		t.Fatalf("exit %d\n%s", v.code, v.all())
	}
	r := decoded(t, v)
	p := r.placement(t, e.sha)
	p.expect(t, "placed", true, "") // whose it is stands in the ledger, which is closed
	if len(p.Proofs) != 1 || p.Proofs[0].Account != "nobody" || !p.Proofs[0].Holds {
		t.Errorf("proofs %+v", p.Proofs)
	}
	if !slices.Contains(r.Conditions, agent.NoFloor) {
		t.Errorf("it is not told that the floor was not seen: %q", r.Conditions)
	}
	if r.Host == "" || r.Host != result(t, 0, "verify").Host {
		t.Errorf("the host is %q for nobody", r.Host)
	}
	if p := asNobody(t, installed, "preview"); p.code != 0 {
		t.Errorf("preview: %d\n%s", p.code, p.all())
	}
	for _, args := range [][]string{{"enforce"}, {"history"}, {"adopt", o.path("starter.toml")}} {
		e := asNobody(t, installed, args...)
		if e.code != exitUnknown {
			t.Errorf("%q: exit %d", args, e.code)
		}
		says(t, e.err, "sudo anchorhold "+args[0])
	}
	// What nobody cannot read, nobody does not call right.
	write(t, bundleFile, read(t, bundleFile), 0o600)
	if v := asNobody(t, installed, "verify"); v.code == 0 {
		t.Errorf("content with a bundle that it cannot read\n%s", v.all())
	}
	if v := must(t, exitWrong, "/", "verify"); !strings.Contains(v.out, "all of bundle is shut") {
		t.Errorf("root is content with a bundle that nobody can read\n%s", v.out)
	}
}

// TestServiceAccount has the settings name an account that is kept out of the
// store, and one that is not there.
func TestServiceAccount(t *testing.T) {
	if !onMachine(t) {
		return
	}
	tool(t, "useradd", "--system", "--no-create-home", "harbour-crane")
	o := newOffice(t, "--account", "nobody", "--account", "harbour-crane", "--account", "harbour-gone")
	_, e := o.authority("Harbour Served")
	o.sign(e)
	r := result(t, exitUnknown, "enforce") // nobody knows what the missing account would see
	p := r.placement(t, e.sha)
	if len(p.Proofs) != 3 {
		t.Fatalf("proofs %+v", p.Proofs)
	}
	for _, proof := range p.Proofs {
		if proof.Holds != (proof.Account != "harbour-gone") || (proof.Unable == "") != proof.Holds {
			t.Errorf("%+v", proof)
		}
	}
	says(t, strings.Join(p.Reasons, "\n"), "harbour-gone could not be asked")
	tool(t, "chgrp", "harbour-crane", bundleFile)
	tool(t, "chmod", "0604", bundleFile) // for all but the group, whose one member it is
	p = result(t, exitWrong, "verify").placement(t, e.sha)
	if p.Right || !strings.Contains(strings.Join(p.Reasons, "\n"), "harbour-crane") || strings.Contains(strings.Join(p.Reasons, "\n"), "nobody:") {
		t.Errorf("%+v", p)
	}
}
