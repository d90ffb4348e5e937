package native

import (
	"strings"
	"testing"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/trusttest"
)

const cacerts = "/etc/ssl/certs/java/cacerts"

// try carries a batch out and returns the first outcome.
func (m machine) try(c trust.Change) trust.Outcome {
	m.Helper()
	trial, err := m.d.Try(m.Context(), []trust.Change{c})
	if err != nil {
		m.Fatal(err)
	}
	return m.d.Apply(m.Context(), trial)[0]
}

func TestJavaEntryByHand(t *testing.T) {
	m := newMachine(t)
	a := trusttest.NewAuthority(t, "Harbour Root")
	entries := map[string][]byte{"harbour root\x1b[31m": a.Cert.Raw, "debian:old.pem": a.Cert.Raw, "debian:other.pem": m.f.Vendors[0].Cert.Raw}
	m.f.Put(t, cacerts, string(trusttest.KeyStore(entries)))
	m.state(trust.Incomplete, a.Root())
	o := m.try(trusttest.Change(trust.Withdraw, a.Root()))
	if o.Status != trust.Failed || !strings.Contains(o.Err.Error(), "keytool -delete") || strings.Contains(o.Err.Error(), "\x1b") {
		t.Errorf("%v", o.Err)
	}
	e := observe(t, m.d).Entries
	if l := e[a.Root().Fingerprint].Locations; len(l) != 1 {
		t.Errorf("what the hook can remove is still there: %+v", l)
	}
	if len(e[m.f.Vendors[0].Root().Fingerprint].In(partJava)) == 0 {
		t.Error("another root left Java's store")
	}
}

func TestJavaBroken(t *testing.T) {
	m := newMachine(t)
	a := trusttest.NewAuthority(t, "Harbour Root")
	m.f.JavaBroken = true
	if o := m.try(trusttest.Change(trust.Place, a.Root())); o.Status != trust.Failed || !strings.Contains(o.Err.Error(), "Java's store") {
		t.Errorf("%+v", o)
	}
	if p := m.state(trust.Incomplete, a.Root()); len(p.Missing) != 1 || p.Missing[0] != partJava {
		t.Errorf("missing %q", p.Missing)
	}
	m.f.JavaBroken = false
	apply(t, m.d, trusttest.Change(trust.Place, a.Root()))
	m.state(trust.Placed, a.Root())
}

func TestJavaKeptByItsAdministrator(t *testing.T) {
	m := newMachine(t)
	a := trusttest.NewAuthority(t, "Harbour Root")
	m.f.Put(t, "/etc/default/cacerts", "# ours\ncacerts_updates=no\n")
	m.f.JavaBroken = true // as good as: the hook leaves it alone
	apply(t, m.d, trusttest.Change(trust.Place, a.Root()))
	m.state(trust.Placed, a.Root())
	if got := m.faults(); got != "java-by-hand" {
		t.Errorf("faults %q", got)
	}
}

func TestJavaStoreThatCannotBeRead(t *testing.T) {
	for _, is := range []string{"\x30\x82\x01\x00 no key store", "", "\xfe\xed\xfe\xed\x00\x00"} {
		javaShut(t, is)
	}
}

// javaShut has somebody else leave what is given in place of Java's store.
func javaShut(t *testing.T, is string) {
	t.Helper()
	m := newMachine(t)
	m.f.Put(t, cacerts, is)
	p, _ := observe(t, m.d).Part(partJava)
	if p.Opaque == "" || p.Unread != "" || !p.Present {
		t.Errorf("%+v", p)
	}
	// The other parts get the root all the same, and the hook, which would fail,
	// is left alone.
	a := trusttest.NewAuthority(t, "Harbour Root")
	o := apply(t, m.d, trusttest.Change(trust.Place, a.Root()))
	m.state(trust.Incomplete, a.Root())
	if at := observe(t, m.d).Placement(a.Root().Fingerprint); !at.Beyond() || !at.Read || len(at.Helps) == 0 {
		t.Errorf("%+v", at)
	}
	if said := strings.Join(o[0].Notes, "\n"); !strings.Contains(said, cacerts+" was left as it is") {
		t.Errorf("notes %q", said)
	}
}

func TestNoJava(t *testing.T) {
	m := newMachine(t)
	a := trusttest.NewAuthority(t, "Harbour Root")
	dir, err := m.f.Dir("/etc/ssl/certs")
	if err != nil {
		t.Fatal(err)
	}
	hooks, err := m.f.Dir("/etc/ca-certificates/update.d")
	if err != nil {
		t.Fatal(err)
	}
	if err := dir.RemoveAll("java"); err != nil {
		t.Fatal(err)
	}
	if err := hooks.Remove("jks-keystore"); err != nil {
		t.Fatal(err)
	}
	apply(t, m.d, trusttest.Change(trust.Place, a.Root()))
	m.state(trust.Placed, a.Root())
	if p, _ := observe(t, m.d).Part(partJava); p.Present {
		t.Error("a host without Java has a part for it")
	}
}
