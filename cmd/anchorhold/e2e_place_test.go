package main

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/agent"
)

// runs counts, in the namespace, how often the platform's tool is run, and
// keeps what its hooks are told.
type runs struct{ log, told string }

// counted puts a counting script in the place of the platform's tool, which
// then becomes that, and a hook beside the platform's own.
func counted(t *testing.T) runs {
	t.Helper()
	r := runs{"/var/log/harbour-runs", "/var/log/harbour-told"}
	real := "/usr/lib/harbour/update-ca-certificates"
	if err := os.MkdirAll(filepath.Dir(real), 0o755); err != nil {
		t.Fatal(err)
	}
	tool(t, "mv", platform, real)
	write(t, platform, "#!/bin/sh\n# knows --certsconf --certsdir --localcertsdir --etccertsdir --hooksdir\necho run >>"+r.log+"\nexec "+real+" \"$@\"\n", 0o755)
	write(t, "/etc/ca-certificates/update.d/zz-harbour", "#!/bin/sh\necho hooks >>"+r.log+"\ncat >>"+r.told+"\n", 0o755)
	return r
}

func (r runs) expect(t *testing.T, tools, hooks int) {
	t.Helper()
	data, err := os.ReadFile(r.log)
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	if n, h := strings.Count(string(data), "run\n"), strings.Count(string(data), "hooks\n"); n != tools || h != hooks {
		t.Errorf("the platform's tool ran %d times and its hooks %d times, want %d and %d", n, h, tools, hooks)
	}
}

// TestFourRootsOneRefresh places four roots by one run of the platform's tool,
// and finds nothing to do afterwards.
func TestFourRootsOneRefresh(t *testing.T) {
	if !onMachine(t) {
		return
	}
	r, o := counted(t), newOffice(t)
	before := bundle(t)
	var all []entry
	for _, name := range []string{"Harbour North", "Harbour East", "Harbour South", "Harbour West"} {
		_, e := o.authority(name)
		all = append(all, e)
	}
	o.sign(all...)
	result(t, exitWrong, "verify")
	r.expect(t, 0, 0)
	first := result(t, 0, "enforce")
	r.expect(t, 1, 1)
	if n := strings.Count(read(t, r.told), "\n+") + strings.Count(read(t, r.told)[:1], "+"); n != 4 || strings.Contains(read(t, r.told), "\n-") {
		t.Errorf("hooks were told of %d roots:\n%s", n, read(t, r.told))
	}
	for _, e := range all {
		first.placement(t, e.sha).expect(t, "placed", true, agent.Us)
		known(t, e.sha, e.file, true)
	}
	if after := bundle(t); len(after) != len(before)+4 || len(missing(before, after)) > 0 {
		t.Errorf("%d roots before, %d after", len(before), len(after))
	}
	stood := tree(t)
	for range 2 {
		again := result(t, 0, "enforce")
		if len(again.Changes)+len(again.Held) > 0 {
			t.Errorf("it did %+v", again.Changes)
		}
		must(t, 0, "/", "enforce")
	}
	stood.same(t, tree(t))
	r.expect(t, 1, 1)
}

// TestLifeOfARoot places a root, has six kinds of programs use it, and takes
// it out again.
func TestLifeOfARoot(t *testing.T) {
	if !onMachine(t) {
		return
	}
	o := newOffice(t)
	a, e := o.authority("Harbour Life")
	cert, key := a.Issue(t, crane)
	p := serve(t, cert, key)
	before := tree(t)
	roots, javas := bundle(t), java(t)
	connect(t, p, false)

	o.sign(e)
	result(t, 0, "enforce").placement(t, e.sha).expect(t, "placed", true, agent.Us)
	connect(t, p, true)

	o.sign(e.as("retired"))
	held := must(t, exitWrong, "/", "enforce")
	says(t, held.out, "holds the withdraw of", "the listener at 127.0.0.1:"+p+" would verify no longer", "Harbour Life alone")
	r := result(t, exitWrong, "enforce")
	if len(r.Held) != 1 || len(r.Changes) > 0 {
		t.Fatalf("held %+v, changed %+v", r.Held, r.Changes)
	}
	r.placement(t, e.sha).expect(t, "lingering", false, agent.Us)
	connect(t, p, true)
	if e := must(t, exitUnknown, "/", "enforce", "--force", " "); !strings.Contains(e.err, "reason") {
		t.Errorf("an empty reason: %s", e.all())
	}

	result(t, 0, "enforce", "--force", "the crane moved, seen on 3 May").placement(t, e.sha).expect(t, "absent", true, "")
	connect(t, p, false)
	known(t, e.sha, e.file, false)
	says(t, must(t, 0, "/", "history").out, "the crane moved, seen on 3 May")
	if now := bundle(t); !slices.Equal(now, roots) {
		t.Errorf("the bundle has %d roots, it had %d, or another order", len(now), len(roots))
	}
	if now := java(t); len(now) != len(javas) || len(missing(javas, now)) > 0 {
		t.Errorf("Java's store has %d roots, it had %d", len(now), len(javas))
	}
	after := tree(t)
	for name, was := range before { // what the vendor and others have there
		if is, there := after[name]; !there || is.mode != was.mode || is.content != was.content && name != javaStore && name != inForce {
			t.Errorf("%s is not as it was", name)
		}
	}
}

// TestOmissionIsNotRemoval has a policy that no longer names a root.
func TestOmissionIsNotRemoval(t *testing.T) {
	if !onMachine(t) {
		return
	}
	o := newOffice(t)
	_, kept := o.authority("Harbour Kept")
	_, dropped := o.authority("Harbour Dropped")
	o.sign(kept, dropped)
	result(t, 0, "enforce")
	o.sign(kept)
	stood := tree(t)
	r := result(t, 0, "enforce")
	if len(r.Unlisted) != 1 || r.Unlisted[0].Root.String() != dropped.sha || len(r.Changes) > 0 {
		t.Errorf("unlisted %+v, changes %+v", r.Unlisted, r.Changes)
	}
	says(t, must(t, 0, "/", "verify").out, "Unlisted", dropped.sha[:16], "it stays")
	stood.same(t, tree(t), "/var/lib/anchorhold")
	known(t, dropped.sha, dropped.file, true)
	o.sign(kept, dropped.as("retired"))
	result(t, 0, "enforce", "--force", "it was a test")
	known(t, dropped.sha, dropped.file, false)
	known(t, kept.sha, kept.file, true)
}

// TestCopyByHand has somebody place a root before the policy does, closed to
// others at first.
func TestCopyByHand(t *testing.T) {
	if !onMachine(t) {
		return
	}
	o := newOffice(t)
	_, e := o.authority("Harbour Hand")
	copied := filepath.Join(sourceDir, "by-hand.crt")
	write(t, copied, read(t, e.file), 0o600)
	tool(t, platform)
	o.sign(e)
	result(t, exitWrong, "verify").placement(t, e.sha).expect(t, "unreadable", false, agent.ByHand)
	r := result(t, 0, "enforce")
	r.placement(t, e.sha).expect(t, "placed", true, agent.ByHand)
	if info, err := os.Stat(copied); err != nil || info.Mode().Perm() != 0o644 {
		t.Errorf("the copy: %v, %v", info, err)
	}
	says(t, strings.Join(r.Changes[0].Notes, "\n"), copied+" had mode 0600")
	if found, _ := filepath.Glob(sourceDir + "/anchorhold-*"); len(found) > 0 {
		t.Errorf("a second copy: %q", found)
	}
	stood := tree(t)
	if r := result(t, 0, "enforce"); len(r.Changes) > 0 {
		t.Errorf("it did %+v", r.Changes)
	}
	stood.same(t, tree(t))

	e.more = []string{"own = true"}
	o.sign(e)
	result(t, 0, "enforce").placement(t, e.sha).expect(t, "placed", true, agent.Us)
	clean(t, ownFile(t, e.sha), e.sha)
	if read(t, copied) != read(t, e.file) {
		t.Error("the copy by hand was changed")
	}
	known(t, e.sha, e.file, true)
	stood = tree(t)
	result(t, 0, "enforce")
	stood.same(t, tree(t))

	// A retired root leaves the machine store, whoever placed it.
	o.sign(e.as("retired"))
	result(t, 0, "enforce", "--force", "it was a test")
	known(t, e.sha, e.file, false)
	if _, err := os.Stat(copied); err == nil {
		t.Error("the copy by hand is still there")
	}
}
