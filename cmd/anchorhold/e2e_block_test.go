package main

import (
	"path/filepath"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/agent"
)

const confFile = "/etc/ca-certificates.conf"

// vendors are roots of the platform's package that vetting lets a policy
// trust, as files below the vendor's folder, with their fingerprints.
func vendors(t *testing.T, n int) (names, fps []string) {
	t.Helper()
	for line := range strings.Lines(read(t, confFile)) {
		name := strings.TrimSpace(line)
		file := "/usr/share/ca-certificates/" + name
		if name == "" || strings.HasPrefix(name, "#") || strings.HasPrefix(name, "!") || anchorhold(t, "/", "vet", file).code != 0 {
			continue
		}
		names, fps = append(names, name), append(fps, blocksOf(t, read(t, file))[0])
		if len(names) == n {
			return names, fps
		}
	}
	t.Fatalf("only %d roots of the package are fit", len(names))
	return nil, nil
}

// TestDistrustAndBack refuses a root of the package, and trusts it again. What
// an administrator refused himself stays refused.
func TestDistrustAndBack(t *testing.T) {
	if !onMachine(t) {
		return
	}
	names, fps := vendors(t, 2)
	file := func(i int) string { return "/usr/share/ca-certificates/" + names[i] }
	conf := strings.Replace(read(t, confFile), "\n"+names[1]+"\n", "\n!"+names[1]+"\n", 1)
	write(t, confFile, conf, 0o644)
	tool(t, platform)
	o := newOffice(t)
	before := tree(t)
	known(t, fps[0], file(0), true)
	known(t, fps[1], file(1), false)

	blocked := entry{label: "ours to refuse", sha: fps[0], standing: "distrusted"}
	o.sign(blocked)
	r := result(t, 0, "enforce") // never held
	r.placement(t, fps[0]).expect(t, "blocked", true, "")
	known(t, fps[0], file(0), false)
	says(t, read(t, confFile), "\n!"+names[0]+"\n")
	tool(t, platform, "--fresh") // it stays refused, whoever refreshes
	known(t, fps[0], file(0), false)
	result(t, 0, "verify").placement(t, fps[0]).expect(t, "blocked", true, "")
	if read(t, file(0)) == "" {
		t.Error("the package's file was touched")
	}

	o.sign(entry{label: "ours to refuse", file: file(0), sha: fps[0], standing: "trusted"},
		entry{label: "refused by hand", file: file(1), sha: fps[1], standing: "trusted"})
	r = result(t, 0, "enforce")
	known(t, fps[0], file(0), true)
	r.placement(t, fps[0]).expect(t, "placed", true, agent.Package)
	if got := read(t, confFile); got != conf {
		t.Errorf("the list of roots is not as the administrator left it: %d bytes, %d before", len(got), len(conf))
	}
	r.placement(t, fps[1]).expect(t, "placed", true, agent.Us)
	known(t, fps[1], file(1), true)
	after := tree(t)
	for name, was := range before {
		if is, there := after[name]; strings.HasPrefix(name, "/usr/share/ca-certificates") && (!there || is != was) {
			t.Errorf("the package's %s changed", name)
		}
	}
}

// TestDistrustBesideHands blocks a root that lies in the store by hand, under
// two names.
func TestDistrustBesideHands(t *testing.T) {
	if !onMachine(t) {
		return
	}
	o := newOffice(t)
	_, e := o.authority("Harbour Lost")
	for _, name := range []string{"one.crt", "two/another.crt"} {
		write(t, filepath.Join(sourceDir, name), read(t, e.file), 0o644)
	}
	tool(t, platform)
	e.file = ""
	o.sign(e.as("distrusted"))
	preview := must(t, exitWrong, "/", "preview")
	says(t, preview.out, "would block")
	result(t, 0, "enforce").placement(t, e.sha).expect(t, "absent", true, "")
	known(t, e.sha, o.path("harbour-lost.pem"), false)
	// Whoever puts it back finds it gone after the next run.
	write(t, filepath.Join(sourceDir, "one.crt"), read(t, o.path("harbour-lost.pem")), 0o644)
	tool(t, platform)
	result(t, exitWrong, "verify").placement(t, e.sha).expect(t, "lingering", false, agent.ByHand)
	result(t, 0, "enforce").placement(t, e.sha).expect(t, "absent", true, "")
	known(t, e.sha, o.path("harbour-lost.pem"), false)
}

// TestRetireOfAPackageIsRefused has a policy retire what a package brings.
func TestRetireOfAPackageIsRefused(t *testing.T) {
	if !onMachine(t) {
		return
	}
	names, fps := vendors(t, 1)
	o := newOffice(t)
	before := tree(t)
	o.sign(entry{label: "a package's", sha: fps[0], standing: "retired"})
	for _, args := range [][]string{{"enforce"}, {"enforce", "--force", "somebody said so"}} {
		r := result(t, exitWrong, args...)
		p := r.placement(t, fps[0])
		p.expect(t, "lingering", false, agent.Package)
		says(t, strings.Join(append(p.Reasons, p.Next...), "\n"), "ca-certificates", "distrusted")
		if len(r.Changes) > 0 {
			t.Errorf("it did %+v", r.Changes)
		}
	}
	before.same(t, tree(t), "/var/lib/anchorhold", inForce)
	known(t, fps[0], "/usr/share/ca-certificates/"+names[0], true)
}
