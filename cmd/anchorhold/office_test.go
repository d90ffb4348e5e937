package main

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"
)

// office is where policies are written and signed, with the keys of one
// signer; and the host of the test, which believes it.
type office struct {
	t       *testing.T
	dir     string
	version int
	more    string // further tables of each draft
}

// newOffice makes the signer and lets the host believe it. options go to
// 'starter'.
func newOffice(t *testing.T, options ...string) *office {
	t.Helper()
	o := &office{t: t, dir: t.TempDir()}
	must(t, 0, o.dir, "keys", "new", "--policy", "harbour", "--no-passphrase")
	starter := must(t, 0, o.dir, append([]string{"starter"}, options...)...)
	write(t, o.path("starter.toml"), starter.out, 0o644)
	must(t, 0, "/", "adopt", o.path("starter.toml"))
	return o
}

func (o *office) path(name string) string { return filepath.Join(o.dir, name) }

// entry is one [[root]] of a draft.
type entry struct {
	label, file, sha, standing string
	more                       []string // further lines
}

// draft writes the next draft and returns its name.
func (o *office) draft(entries ...entry) string {
	o.t.Helper()
	o.version++
	var b strings.Builder
	fmt.Fprintf(&b, "name = \"harbour\"\nversion = %d\nexpires = \"90d\"\n%s", o.version, o.more)
	for i, e := range entries {
		if e.label == "" {
			e.label = fmt.Sprintf("root %d", i+1)
		}
		fmt.Fprintf(&b, "[[root]]\nlabel = %q\nfile = %q\nsha256 = %q\n", e.label, e.file, e.sha)
		if e.standing != "" {
			fmt.Fprintf(&b, "standing = %q\n", e.standing)
		}
		for _, line := range e.more {
			fmt.Fprintln(&b, line)
		}
	}
	name := o.path(fmt.Sprintf("draft-%d.toml", o.version))
	write(o.t, name, b.String(), 0o644)
	return name
}

// inForce is where the host reads its policy from.
const inForce = "/etc/anchorhold/harbour.policy"

// sign signs a policy of these roots and puts it where the host reads it.
func (o *office) sign(entries ...entry) ended {
	o.t.Helper()
	e := must(o.t, 0, o.dir, "sign", "--key", "harbour.key", o.draft(entries...))
	o.publish()
	return e
}

func (o *office) publish() {
	o.t.Helper()
	write(o.t, inForce, read(o.t, o.path("harbour.policy")), 0o644)
}

// refuses wants a draft of this root to be refused, and returns what is said.
func (o *office) refuses(e entry) string {
	o.t.Helper()
	draft := o.draft(e)
	check := must(o.t, exitWrong, o.dir, "draft", "check", draft)
	sign := must(o.t, exitWrong, o.dir, "sign", "--key", "harbour.key", draft)
	o.version--
	return check.all() + sign.all()
}
