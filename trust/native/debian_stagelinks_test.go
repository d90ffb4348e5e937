package native

import (
	"maps"
	"os"
	"path"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// readBy lists what a reader of a folder finds under each of its names, as far
// as every account may read it.
func (m machine) readBy(dir string) map[string]string {
	m.Helper()
	entries, err := m.f.ReadDir(dir)
	if err != nil {
		m.Fatal(err)
	}
	found := map[string]string{}
	for _, e := range entries {
		name := path.Join(dir, e.Name())
		fi, err := m.f.Stat(name)
		if err != nil || !fi.Mode().IsRegular() || fi.Mode().Perm()&0o004 == 0 || e.Name() == m.d.Bundle {
			continue
		}
		data, err := m.f.ReadFile(name, 64<<20)
		if err != nil {
			m.Fatal(err)
		}
		blocks, _ := root.Scan(data)
		var fps []string
		for _, b := range blocks {
			fps = append(fps, b.Fingerprint.Short())
		}
		found[e.Name()] = strings.Join(fps, " ")
	}
	return found
}

// What readers find in the staged folder of links is what they will find in
// the live one: no root less, or each refresh would look like a loss.
func TestStagedLinksAreTheLiveOnes(t *testing.T) {
	m := newMachine(t)
	certs := "/etc/ssl/certs/"
	one, two := trusttest.NewAuthority(t, "Harbour One"), trusttest.NewAuthority(t, "Harbour Two")
	m.f.Put(t, certs+"two.pem", string(one.PEM())+string(two.PEM())) // 'openssl rehash' takes no file of two
	if err := os.Symlink("two.pem", m.f.Real(certs+subjectHash(one.Cert.Raw)+".0")); err != nil {
		t.Fatal(err)
	}
	m.f.Put(t, certs+"large.txt", string(trusttest.NewAuthority(t, "Harbour Large").PEM())+strings.Repeat("harbour\n", maxPlain/8))
	m.f.Put(t, certs+"ca-certificates.crt.bak", string(trusttest.NewAuthority(t, "Harbour Saved").PEM()))
	m.f.Put(t, certs+"README", "nothing of use\n")
	m.f.Put(t, certs+"shut.pem", string(trusttest.NewAuthority(t, "Harbour Shut").PEM()))
	if err := os.Chmod(m.f.Real(certs+"shut.pem"), 0o600); err != nil {
		t.Fatal(err)
	}
	// Somebody deselected a root and has not refreshed yet: the tool drops its
	// link, and hashes all others anew.
	m.f.Put(t, "/etc/ca-certificates.conf", strings.Replace(m.text("/etc/ca-certificates.conf"), "vendor/Vendor_0", "!vendor/Vendor_0", 1))
	a := trusttest.NewAuthority(t, "Harbour Root")
	trial, err := m.d.Try(t.Context(), []trust.Change{trusttest.Change(trust.Place, a.Root())})
	if err != nil {
		t.Fatal(err)
	}
	staged := ""
	for _, p := range trial.Staged() {
		if p.Name == partLinks {
			staged = p.Path
		}
	}
	got := m.readBy(staged)
	m.d.Apply(t.Context(), trial)
	want := m.readBy("/etc/ssl/certs")
	if !maps.Equal(got, want) || len(want) < 10 {
		t.Errorf("staged %v\nlive   %v", got, want)
	}
}
