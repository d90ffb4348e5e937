package root

import (
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"math/big"
	"slices"
	"testing"
)

// TestFamily: one name, three keys' worth of relations, in every order.
func TestFamily(t *testing.T) {
	serial := func(n int64) func(*x509.Certificate) {
		return func(c *x509.Certificate) { c.SerialNumber = big.NewInt(n) }
	}
	make := func(label string, n int64) []byte { // own key, common name
		tmpl := template("Renewed")
		serial(n)(tmpl)
		k := testKey(t, label)
		return issue(t, tmpl, tmpl, k.Public(), k)
	}
	old, curr, next := parse(t, make("k1", 1)), parse(t, make("k1", 2)), parse(t, make("k2", 3))
	tmpl := template("Renewed")
	serial(4)(tmpl)
	tmpl.ExtraExtensions = []pkix.Extension{{Id: asn1.ObjectIdentifier{2, 5, 29, 35}, Value: tlv(0x30, tlv(0x80, []byte{9}))}}
	cross := parse(t, issue(t, tmpl, old.X509, testKey(t, "k2").Public(), testKey(t, "k1")))
	alias := template("Another name")
	named := parse(t, issue(t, alias, alias, testKey(t, "k1").Public(), testKey(t, "k1")))
	twin := parse(t, make("k3", 1)) // old's issuer and serial, another key
	stranger := parse(t, rootDER(t, "Stranger"))

	type pair struct{ a, b *Certificate }
	want := map[pair][]string{
		{old, curr}: {Renewed}, {old, next}: {SameName}, {curr, next}: {SameName}, {next, cross}: {CrossSigned},
		{old, cross}: {SameName}, {curr, cross}: {SameName}, {old, named}: {SameKey}, {curr, named}: {SameKey},
		{old, twin}: {SameName, SameSerial}, {curr, twin}: {SameName}, {next, twin}: {SameName}, {cross, twin}: {SameName},
	}
	all := []*Certificate{old, curr, next, cross, named, twin, stranger, old}
	for range 2 {
		got := map[[2]Fingerprint][]string{}
		for _, k := range Family(all) {
			if k.Text == "" || k.A == k.B {
				t.Errorf("told badly: %+v", k)
			}
			got[[2]Fingerprint{k.A, k.B}] = append(got[[2]Fingerprint{k.A, k.B}], k.Kind)
		}
		found := 0
		for p, kinds := range want {
			a, b := p.a.Fingerprint(), p.b.Fingerprint()
			have := got[[2]Fingerprint{a, b}]
			if len(have) == 0 {
				have = got[[2]Fingerprint{b, a}]
			}
			for _, k := range kinds {
				if !slices.Contains(have, k) {
					t.Errorf("%s and %s: %v, want %s", a.Short(), b.Short(), have, k)
				}
				found++
			}
		}
		if found == 0 {
			t.Fatal("nothing compared")
		}
		for p := range got {
			if p[0] == stranger.Fingerprint() || p[1] == stranger.Fingerprint() {
				t.Error("a stranger has relations")
			}
		}
		slices.Reverse(all)
	}
	warned := codes(Vet(curr, today, []*Certificate{old, next, named, curr, nil, stranger}), Warn)
	for _, code := range []string{"same-name-and-key", "same-name", "same-key"} {
		if !slices.Contains(warned, code) {
			t.Errorf("%s is missing in %v", code, warned)
		}
	}
	if w := codes(Vet(twin, today, []*Certificate{old}), Warn); !slices.Contains(w, "same-serial") {
		t.Errorf("twins by serial: %v", w)
	}
	crowd := slices.Repeat([]*Certificate{old, curr}, 2000)
	if n := len(Family(crowd)); n > maxKinships {
		t.Errorf("%d kinships", n)
	}
}
