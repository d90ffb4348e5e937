package native

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// fault returns the one fault of that code.
func (m machine) fault(code string) (trust.Fault, bool) {
	m.Helper()
	s := observe(m.T, m.d)
	all := slices.Clone(s.Faults)
	for _, p := range s.Parts {
		all = append(all, p.Faults...)
	}
	i := slices.IndexFunc(all, func(f trust.Fault) bool { return f.Code == code })
	if i < 0 {
		return trust.Fault{}, false
	}
	return all[i], true
}

// TestWhatThePlatformNeverHeals damages the store with our root in its place,
// and wants one more place of that root to put right what a refresh can.
func TestWhatThePlatformNeverHeals(t *testing.T) {
	const bundle = "/etc/ssl/certs/ca-certificates.crt"
	for code, damage := range map[string]func(m machine){
		"repeated": func(m machine) { m.f.Put(m.T, bundle, m.text(bundle)+m.text(bundle)) },
		"half-made-bundle": func(m machine) {
			m.f.Put(m.T, bundle+".new", m.text(bundle)[:900])
			old := time.Now().Add(-time.Hour)
			if err := os.Chtimes(m.f.Real(bundle+".new"), old, old); err != nil {
				m.Fatal(err)
			}
		},
		"not-linked": func(m machine) { // a run died before it made the links
			for _, v := range m.f.Vendors[:3] {
				if err := os.Remove(m.f.Real("/etc/ssl/certs/" + subjectHash(v.Cert.Raw) + ".0")); err != nil {
					m.Fatal(err)
				}
			}
			if err := os.Remove(m.f.Real("/etc/ssl/certs/Vendor_1.pem")); err != nil {
				m.Fatal(err)
			}
		},
	} {
		t.Run(code, func(t *testing.T) {
			m := newMachine(t)
			a := trusttest.NewAuthority(t, "Harbour Root")
			apply(t, m.d, trusttest.Change(trust.Place, a.Root()))
			whole := m.text(bundle)
			damage(m)
			m.state(trust.Placed, a.Root())
			if f, there := m.fault(code); !there || !f.Mend || f.Next == "" || f.Harm == "" {
				t.Fatalf("%+v among %q", f, m.faults())
			}
			apply(t, m.d, trusttest.Change(trust.Place, a.Root()))
			if got := m.faults(); got != "" {
				t.Errorf("left: %q", got)
			}
			if m.text(bundle) != whole {
				t.Error("the bundle is another one than before")
			}
			for _, v := range m.f.Vendors {
				if len(m.chainOf(subjectHash(v.Cert.Raw))) != 1 {
					t.Errorf("%s cannot be looked up", v.Cert.Subject.CommonName)
				}
			}
			tidy(t, m.f)
		})
	}
}

// TestOthersOddsAreReported: what concerns only others is told and left alone.
func TestOthersOddsAreReported(t *testing.T) {
	m := newMachine(t)
	a, other := trusttest.NewAuthority(t, "Harbour Root"), trusttest.NewAuthority(t, "Harbour Guest")
	apply(t, m.d, trusttest.Change(trust.Place, a.Root()))
	if got := m.faults(); got != "" {
		t.Fatalf("to begin with: %q", got)
	}
	m.f.Put(t, local+"guest.crt", string(other.PEM()))
	certs := map[string][]byte{"debian:gone.pem": trusttest.NewAuthority(t, "Harbour Gone").Cert.Raw, "debian:" + ownName(a.Root().Fingerprint) + ".pem": a.Cert.Raw}
	for _, v := range m.f.Vendors[1:] {
		certs["debian:"+strings.ToLower(v.Cert.Subject.CommonName)] = v.Cert.Raw
	}
	java := string(trusttest.KeyStore(certs))
	m.f.Put(t, "/etc/ssl/certs/java/cacerts", java)
	for _, code := range []string{"not-compiled", "java-lacks", "java-keeps"} {
		if f, there := m.fault(code); !there || f.Mend || f.Next == "" || f.Harm == "" {
			t.Errorf("%s: %+v among %q", code, f, m.faults())
		}
	}
	apply(t, m.d, trusttest.Change(trust.Place, a.Root()))
	if m.text("/etc/ssl/certs/java/cacerts") != java {
		t.Error("Java's store was changed")
	}
}

// TestRepeatedByTheVendor: what the distribution's files hold twice stands
// twice in every bundle, and is nothing to be mended for ever.
func TestRepeatedByTheVendor(t *testing.T) {
	m := newMachine(t)
	again := "/usr/share/ca-certificates/vendor/Again.crt"
	m.f.Put(t, again, string(m.f.Vendors[0].PEM()))
	m.f.Put(t, "/etc/ca-certificates.conf", m.text("/etc/ca-certificates.conf")+"vendor/Again.crt\n")
	m.f.Refresh(t, "--fresh")
	if n := m.f.Bundle(t)[m.f.Vendors[0].Root().Fingerprint]; n != 2 {
		t.Fatalf("it stands %d times in the bundle", n)
	}
	if f, there := m.fault("repeated"); there {
		t.Errorf("%+v", f)
	}
}

// TestWhoseTheNeighbourIs: a file that a refresh stumbles over is told with
// package, account and time, and stays out of what we compile.
func TestWhoseTheNeighbourIs(t *testing.T) {
	m := newMachine(t)
	a := trusttest.NewAuthority(t, "Harbour Root")
	half := string(trusttest.NewAuthority(t, "Harbour Tide").PEM()[:300])
	m.f.Put(t, local+"tide.crt", half)
	m.f.Put(t, local+"crane.crt", half)
	m.f.Put(t, "/var/lib/dpkg/info/crane-agent:amd64.list", "/.\n"+local+"crane.crt\n")
	then := time.Date(2026, 5, 3, 4, 5, 0, 0, time.UTC)
	if err := os.Chtimes(m.f.Real(local+"tide.crt"), then, then); err != nil {
		t.Fatal(err)
	}
	apply(t, m.d, trusttest.Change(trust.Place, a.Root()))
	m.state(trust.Placed, a.Root())
	told := map[string]trust.Fault{}
	part, _ := observe(t, m.d).Part(partSource)
	for _, f := range part.Faults {
		told[filepath.Base(f.Path)] = f
	}
	tide, crane := told["tide.crt"], told["crane.crt"]
	if !strings.HasPrefix(tide.Whose, "no package's, owned by uid ") || !strings.Contains(tide.Whose, "2026-05-03 04:05Z") {
		t.Errorf("%q", tide.Whose)
	}
	if !strings.HasPrefix(crane.Whose, "of package crane-agent,") {
		t.Errorf("%q", crane.Whose)
	}
	if !strings.Contains(tide.Next, "keeps that out") || tide.Harm == "" {
		t.Errorf("%+v", tide)
	}
}
