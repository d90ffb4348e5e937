package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
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
		fmt.Fprintf(&b, "[[root]]\nlabel = %q\nsha256 = %q\n", e.label, e.sha)
		if e.file != "" {
			fmt.Fprintf(&b, "file = %q\n", e.file)
		}
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

// authority makes a root with its key, and the entry that trusts it.
func (o *office) authority(name string) (trusttest.Authority, entry) {
	o.t.Helper()
	a := trusttest.NewAuthority(o.t, name)
	file := o.path(strings.ReplaceAll(strings.ToLower(name), " ", "-") + ".pem")
	write(o.t, file, string(a.PEM()), 0o644)
	return a, entry{label: name, file: file, sha: root.Of(a.Cert.Raw).String(), standing: "trusted"}
}

// as is the entry with another standing.
func (e entry) as(standing string, more ...string) entry {
	e.standing, e.more = standing, more
	return e
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

// document is a policy of these roots as 'sign' would make it, without the
// vetting that stops a signer.
func (o *office) document(issued time.Time, roots ...policy.Root) policy.Document {
	o.version++
	return policy.Document{Schema: 1, Name: "harbour", Epoch: 1, Version: uint64(o.version),
		Issued: issued.UTC().Truncate(time.Second), Expires: issued.UTC().Truncate(time.Second).AddDate(0, 3, 0), Roots: roots}
}

// unvetted signs a document at its own time, whatever its roots are fit for,
// and returns the policy file.
func (o *office) unvetted(d policy.Document) []byte {
	o.t.Helper()
	signer, err := policy.LoadSigner([]byte(read(o.t, o.path("harbour.key"))), nil)
	if err != nil {
		o.t.Fatal(err)
	}
	chain, err := policy.ParseChain([]byte(read(o.t, o.path("harbour.keyset"))))
	if err != nil {
		o.t.Fatal(err)
	}
	data, err := policy.Sign(d, chain, d.Issued, signer)
	if err != nil {
		o.t.Fatal(err)
	}
	return data
}

// wants is a root of a document with one standing for all hosts.
func wants(t *testing.T, file string, standing policy.Standing) policy.Root {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	f, err := root.Read(data)
	if err != nil {
		t.Fatal(err)
	}
	c := f.Items[0].Cert
	return policy.Root{SHA256: c.Fingerprint(), DER: c.Raw, Label: strings.TrimSuffix(filepath.Base(file), ".pem"),
		Standings: []policy.Step{{Standing: standing, Stage: policy.AllHosts}}, Purposes: []string{policy.TLSServer}, Stores: []string{policy.MachineStore}}
}
