package native

import (
	"crypto/sha256"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

const local = "/usr/local/share/ca-certificates/"

// machine is a fake host with its store.
type machine struct {
	*testing.T
	f *trusttest.Fake
	d *Debian
}

func newMachine(t *testing.T) machine {
	t.Helper()
	f := trusttest.FakeHost(t)
	return machine{t, f, fakeStore(t, f.Host)}
}

func (m machine) state(want trust.State, r trust.Root) trust.Placement {
	m.Helper()
	p := observe(m.T, m.d).Placement(r.Fingerprint)
	if p.State != want {
		m.Errorf("root %s is %s, not %s: %q, missing %q", r.Fingerprint.Short(), p.State, want, p.Reasons, p.Missing)
	}
	return p
}

func (m machine) text(name string) string {
	m.Helper()
	data, err := m.f.ReadFile(name, 1<<20)
	if err != nil {
		m.Fatal(err)
	}
	return string(data)
}

// faults lists the codes of all faults.
func (m machine) faults() string {
	m.Helper()
	s := observe(m.T, m.d)
	all := s.Faults
	for _, p := range s.Parts {
		all = append(all, p.Faults...)
	}
	var codes []string
	for _, f := range all {
		codes = append(codes, f.Code)
	}
	return strings.Join(codes, " ")
}

// fingerprint of a whole tree: names, modes, content, times.
func (m machine) tree() string {
	m.Helper()
	h := sha256.New()
	err := filepath.WalkDir(m.f.Root, func(at string, e fs.DirEntry, err error) error {
		if err != nil || strings.Contains(at, "/var/lib/anchorhold") {
			return err
		}
		fi, err := e.Info()
		if err != nil {
			return err
		}
		var content []byte
		switch {
		case fi.Mode().IsRegular():
			content, err = os.ReadFile(at)
		case fi.Mode()&fs.ModeSymlink != 0:
			var target string
			target, err = os.Readlink(at)
			content = []byte(target)
		}
		if strings.HasSuffix(at, "/var/lib") { // the stage comes and goes below it
			return err
		}
		fmt.Fprintf(h, "%q %v %v %x\n", at, fi.Mode(), fi.ModTime(), content)
		return err
	})
	if err != nil {
		m.Fatal(err)
	}
	return fmt.Sprintf("%x", h.Sum(nil))
}

func TestSecondApplyChangesNoByte(t *testing.T) {
	m := newMachine(t)
	a, b := trusttest.NewAuthority(t, "Harbour Root"), trusttest.NewAuthority(t, "Harbour Root")
	m.f.Put(t, local+"hand.crt", string(b.PEM()))
	m.f.Refresh(t)
	for _, batch := range [][]trust.Change{
		{trusttest.Change(trust.Place, a.Root()), trusttest.Change(trust.Place, b.Root())},
		{trusttest.Change(trust.Withdraw, a.Root()), trusttest.Change(trust.Block, m.f.Vendors[0].Root())},
		{trusttest.Change(trust.Unblock, m.f.Vendors[0].Root()), trusttest.Change(trust.Place, m.f.Vendors[0].Root())},
	} {
		apply(t, m.d, batch...)
		once, refreshes := m.tree(), m.f.Refreshes
		apply(t, m.d, batch...)
		if m.tree() != once {
			t.Errorf("%v: the second time changed something", batch)
		}
		if m.f.Refreshes != refreshes+1 {
			t.Errorf("%d refreshes for one batch", m.f.Refreshes-refreshes)
		}
	}
}

func TestSharedFileLosesOneBlock(t *testing.T) {
	m := newMachine(t)
	a, b := trusttest.NewAuthority(t, "Harbour A"), trusttest.NewAuthority(t, "Harbour B")
	rest := []string{"# ours since 2015\r\n", "\n# B: \xff\x00 odd bytes\n" + string(b.PEM()) + "\n\nend without a line end"}
	m.f.Put(t, local+"both.crt", rest[0]+string(a.PEM())+rest[1])
	m.f.Put(t, "/opt/both.crt", string(b.PEM())+string(a.PEM()))
	if err := os.Symlink("/opt/both.crt", m.f.Real(local+"linked.crt")); err != nil {
		t.Fatal(err)
	}
	m.f.Refresh(t)
	apply(t, m.d, trusttest.Change(trust.Withdraw, a.Root()))
	if got := m.text(local + "both.crt"); got != rest[0]+rest[1] {
		t.Errorf("the rest is %q", got)
	}
	if got := m.text("/opt/both.crt"); got != string(b.PEM())+string(a.PEM()) {
		t.Error("a file outside the store was changed")
	}
	if got := m.text(local + "linked.crt"); got != string(b.PEM()) {
		t.Errorf("the link became %q", got)
	}
	m.state(trust.Absent, a.Root())
	if m.f.Bundle(t)[b.Root().Fingerprint] != 1 {
		t.Error("its neighbour in the file left the bundle")
	}
}

func TestPlainFilesAmongTheLinks(t *testing.T) {
	m := newMachine(t)
	a, b := trusttest.NewAuthority(t, "Harbour A"), trusttest.NewAuthority(t, "Harbour B")
	m.f.Put(t, "/etc/ssl/certs/alone.pem", string(a.PEM()))
	m.f.Put(t, "/etc/ssl/certs/both.pem", string(a.PEM())+string(b.PEM()))
	if p := m.state(trust.Incomplete, a.Root()); len(p.Found) != 2 || p.Read {
		t.Errorf("found %+v, read %v", p.Found, p.Read)
	}
	apply(t, m.d, trusttest.Change(trust.Withdraw, a.Root()))
	m.state(trust.Absent, a.Root())
	if _, err := m.f.Lstat("/etc/ssl/certs/alone.pem"); err == nil {
		t.Error("the file that held it alone is still there")
	}
	if got := m.text("/etc/ssl/certs/both.pem"); got != string(b.PEM()) {
		t.Errorf("the other file holds %q", got)
	}
}

func TestOwnCopyBesideOneByHand(t *testing.T) {
	m := newMachine(t)
	a := trusttest.NewAuthority(t, "Harbour Root")
	own := local + ownName(a.Root().Fingerprint) + ".crt"
	m.f.Put(t, local+"hand.crt", string(a.PEM()))
	m.f.Refresh(t)
	c := trusttest.Change(trust.Place, a.Root())
	apply(t, m.d, c)
	if _, err := m.f.Stat(own); err == nil {
		t.Error("a second copy was made without being asked for")
	}
	c.Own = true
	apply(t, m.d, c)
	if m.text(own) != string(a.PEM()) || m.text(local+"hand.crt") != string(a.PEM()) {
		t.Error("there are not both copies")
	}
	if n := m.f.Bundle(t)[a.Root().Fingerprint]; n != 1 {
		t.Errorf("it stands %d times in the bundle", n)
	}
	if p := m.state(trust.Placed, a.Root()); len(observe(t, m.d).Entries[a.Root().Fingerprint].In(partJava)) != 1 {
		t.Errorf("Java has it more than once: %+v", p.Found)
	}
	apply(t, m.d, trusttest.Change(trust.Withdraw, a.Root()))
	m.state(trust.Absent, a.Root())
}

func TestCopiesInBadShapeGetOneOfOurs(t *testing.T) {
	for name, shape := range map[string]func(pem string) string{
		"byte order mark":  func(p string) string { return "\ufeff" + p },
		"carriage return":  func(p string) string { return strings.ReplaceAll(p, "\n", "\r") },
		"two certificates": func(p string) string { return p + string(trusttest.NewAuthority(t, "Harbour Other").PEM()) },
		"DER":              func(p string) string { b, _ := root.Scan([]byte(p)); return string(b[0].DER) },
	} {
		m := newMachine(t)
		a := trusttest.NewAuthority(t, "Harbour Root")
		m.f.Put(t, local+"hand.crt", shape(string(a.PEM())))
		m.f.Refresh(t)
		apply(t, m.d, trusttest.Change(trust.Place, a.Root()))
		m.state(trust.Placed, a.Root())
		if got := m.text(local + ownName(a.Root().Fingerprint) + ".crt"); got != string(a.PEM()) {
			t.Errorf("%s: our own copy is %q", name, got)
		}
		apply(t, m.d, trusttest.Change(trust.Withdraw, a.Root()))
		m.state(trust.Absent, a.Root())
	}
}

func TestFileOfTheVendorsFolderThatNoPackageOwns(t *testing.T) {
	m := newMachine(t)
	a := trusttest.NewAuthority(t, "Harbour Root")
	m.f.Put(t, "/usr/share/ca-certificates/harbour/a.crt", string(a.PEM()))
	conf := m.text("/etc/ca-certificates.conf")
	m.f.Put(t, "/etc/ca-certificates.conf", conf+"  harbour/a.crt \n# end\n")
	m.f.Refresh(t)
	if p := m.state(trust.Placed, a.Root()); p.Found[0].Origin != trust.FromLocal {
		t.Errorf("it comes from %s", p.Found[0].Origin)
	}
	apply(t, m.d, trusttest.Change(trust.Withdraw, a.Root()))
	m.state(trust.Refused, a.Root())
	if got := m.text("/etc/ca-certificates.conf"); got != conf+"!  harbour/a.crt \n# end\n" {
		t.Errorf("the list is %q", got)
	}
}

func TestBehindALinkedFolder(t *testing.T) {
	m := newMachine(t)
	a := trusttest.NewAuthority(t, "Harbour Root")
	m.f.Put(t, "/opt/certs/a.crt", string(a.PEM()))
	if err := os.Symlink("/opt/certs", m.f.Real(local+"corp")); err != nil {
		t.Fatal(err)
	}
	m.f.Refresh(t)
	m.state(trust.Placed, a.Root())
	trial, err := m.d.Try(t.Context(), []trust.Change{trusttest.Change(trust.Withdraw, a.Root())})
	if err != nil {
		t.Fatal(err)
	}
	if out := m.d.Apply(t.Context(), trial); out[0].Status != trust.Failed || !strings.Contains(out[0].Err.Error(), local+"corp/a.crt") {
		t.Errorf("%+v", out)
	}
	if m.text("/opt/certs/a.crt") != string(a.PEM()) {
		t.Error("a file outside the store was changed")
	}
	m.state(trust.Placed, a.Root())
}

func TestLeavingIsExplained(t *testing.T) {
	m := newMachine(t)
	a, gone := trusttest.NewAuthority(t, "Harbour Root"), trusttest.NewAuthority(t, "Harbour Gone")
	m.f.Put(t, local+"gone.crt", string(gone.PEM()))
	m.f.Refresh(t)
	if err := os.Remove(m.f.Real(local + "gone.crt")); err != nil {
		t.Fatal(err)
	}
	conf := m.text("/etc/ca-certificates.conf")
	m.f.Put(t, "/etc/ca-certificates.conf", strings.Replace(conf, "vendor/Vendor_2", "!vendor/Vendor_2", 1))
	trial, err := m.d.Try(t.Context(), []trust.Change{trusttest.Change(trust.Place, a.Root())})
	if err != nil {
		t.Fatal(err)
	}
	why := map[root.Fingerprint]string{}
	for _, l := range trial.Leaving() {
		why[l.Entry.Fingerprint] = l.Explained
	}
	if len(why) != 1 || !strings.Contains(why[m.f.Vendors[2].Root().Fingerprint], "deselected") {
		t.Errorf("%v", why)
	}
	m.d.Apply(t.Context(), trial)
	if n := m.f.Bundle(t)[gone.Root().Fingerprint]; n != 1 {
		t.Errorf("a root whose file is gone stands %d times in the bundle: nobody retired it", n)
	}
	apply(t, m.d, trusttest.Change(trust.Withdraw, gone.Root()))
	if n := m.f.Bundle(t)[gone.Root().Fingerprint]; n != 0 {
		t.Errorf("withdrawn, it stands %d times in the bundle", n)
	}
}

func TestNamesThatStopTheTool(t *testing.T) {
	m := newMachine(t)
	a, b := trusttest.NewAuthority(t, "Harbour Root"), trusttest.NewAuthority(t, "Harbour Odd")
	m.f.Put(t, local+"odd\nname.crt", string(b.PEM()))
	m.f.Put(t, local+"one/same name.crt", string(b.PEM()))
	m.f.Put(t, local+"two/same_name.crt", string(a.PEM()))
	if got := m.faults(); !strings.Contains(got, "unnameable") || !strings.Contains(got, "same-link") {
		t.Errorf("faults %s", got)
	}
	apply(t, m.d, trusttest.Change(trust.Place, a.Root()))
	m.state(trust.Placed, a.Root())
}
