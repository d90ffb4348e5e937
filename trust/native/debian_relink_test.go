package native

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// chainOf lists what a lookup of one subject meets, as OpenSSL goes: .0, .1,
// until one cannot be opened.
func (m machine) chainOf(hash string) (met []string) {
	m.Helper()
	for n := 0; ; n++ {
		data, err := m.f.ReadFile(fmt.Sprintf("/etc/ssl/certs/%s.%d", hash, n), 1<<20)
		if err != nil {
			return met
		}
		met = append(met, string(data))
	}
}

func (m machine) put(link, target string) {
	m.Helper()
	at := m.f.Real("/etc/ssl/certs/" + link)
	os.Remove(at)
	if err := os.Symlink(target, at); err != nil {
		m.Fatal(err)
	}
}

// TestLookupsMeetNoHole withdraws and places roots of one subject in every
// order, among foreign ones and names into nothing.
func TestLookupsMeetNoHole(t *testing.T) {
	for gone := range 4 {
		m := newMachine(t)
		var as []trusttest.Authority
		for i := range 4 {
			as = append(as, trusttest.NewAuthority(t, "Harbour Root"))
			m.f.Put(t, fmt.Sprintf("%shand%d.crt", local, i), string(as[i].PEM()))
		}
		hash := subjectHash(as[0].Cert.Raw)
		m.f.Refresh(t)
		if n := len(m.chainOf(hash)); n != 4 {
			t.Fatalf("%d met at first", n)
		}
		ops := 0
		m.f.Before = func(op, name string) {
			if strings.HasPrefix(name, "/etc/ssl/certs/"+hash) {
				ops++
			}
			if n := len(m.chainOf(hash)); n < 3 {
				t.Fatalf("before %s %s only %d of the others are met", op, name, n)
			}
		}
		apply(t, m.d, trusttest.Change(trust.Withdraw, as[gone].Root()))
		m.f.Before = nil
		met := m.chainOf(hash)
		if len(met) != 3 || ops != 1 {
			t.Errorf("without %d: %d met after %d steps", gone, len(met), ops)
		}
		for i, a := range as {
			if i != gone {
				m.state(trust.Placed, a.Root())
			}
		}
	}
}

func TestHolesOfOthersAreClosed(t *testing.T) {
	m := newMachine(t)
	a, b := trusttest.NewAuthority(t, "Harbour Root"), trusttest.NewAuthority(t, "Harbour Root")
	m.f.Put(t, local+"hand.crt", string(b.PEM()))
	m.f.Refresh(t)
	hash := subjectHash(a.Cert.Raw)
	m.put(hash+".0", "nothing.pem")
	m.put(hash+".3", "hand.pem")
	if p := m.state(trust.Incomplete, b.Root()); p.Missing[0] != partLinks {
		t.Errorf("missing %q", p.Missing)
	}
	apply(t, m.d, trusttest.Change(trust.Place, a.Root()))
	m.state(trust.Placed, a.Root())
	m.state(trust.Placed, b.Root())
	if met := m.chainOf(hash); len(met) != 2 {
		t.Errorf("%d are met", len(met))
	}
	apply(t, m.d, trusttest.Change(trust.Withdraw, a.Root()))
	m.state(trust.Placed, b.Root())
}

// TestWrongLinks has names that lead to another certificate than they say.
func TestWrongLinks(t *testing.T) {
	m := newMachine(t)
	a, b := trusttest.NewAuthority(t, "Harbour A"), trusttest.NewAuthority(t, "Harbour B")
	m.f.Put(t, local+"b.crt", string(b.PEM()))
	m.f.Refresh(t)
	m.put(ownName(a.Root().Fingerprint)+".pem", local+"b.crt")
	m.put(subjectHash(a.Cert.Raw)+".0", "b.pem")
	m.put(subjectHash(b.Cert.Raw)+".0", "nothing.pem")
	m.state(trust.Incomplete, b.Root())
	m.put(subjectHash(b.Cert.Raw)+".0", "b.pem")
	m.state(trust.Placed, b.Root())
	apply(t, m.d, trusttest.Change(trust.Place, a.Root()))
	m.state(trust.Placed, a.Root())
	m.state(trust.Placed, b.Root())
	apply(t, m.d, trusttest.Change(trust.Withdraw, a.Root()))
	m.state(trust.Absent, a.Root())
	m.state(trust.Placed, b.Root())
}

// TestNamesAreOurs has a subject that would be dangerous as a file name.
func TestNamesAreOurs(t *testing.T) {
	m := newMachine(t)
	for _, name := range []string{"../../etc/cron.d/pwned", "-rf", "$(touch pwned)", "a\nb", strings.Repeat("x", 300), "con"} {
		before := m.tree()
		a := trusttest.NewAuthority(t, name)
		apply(t, m.d, trusttest.Change(trust.Place, a.Root()))
		m.state(trust.Placed, a.Root())
		for _, l := range observe(t, m.d).Entries[a.Root().Fingerprint].Locations {
			if strings.ContainsAny(l.Path, "$\n ") || strings.Contains(l.Path, "..") || strings.Contains(l.Path, "pwned") {
				t.Errorf("a copy lies in %q", l.Path)
			}
		}
		if apply(t, m.d, trusttest.Change(trust.Withdraw, a.Root())); m.names() == "" || before == "" {
			t.Error("nothing to compare")
		}
	}
	if got := m.names(); strings.Contains(got, "pwned") || strings.Contains(got, "anchorhold-") {
		t.Errorf("left over: %s", got)
	}
}

// names lists the folders that are written to.
func (m machine) names() string {
	m.Helper()
	var all []string
	for _, dir := range []string{"/etc", "/etc/ssl/certs", "/usr/local/share/ca-certificates"} {
		entries, err := m.f.ReadDir(dir)
		if err != nil {
			m.Fatal(err)
		}
		for _, e := range entries {
			all = append(all, e.Name())
		}
	}
	return strings.Join(all, " ")
}
