package root

import (
	"bytes"
	"fmt"
)

// Kinship says how two certificates are related.
type Kinship struct {
	A    Fingerprint `json:"a"`
	B    Fingerprint `json:"b"`
	Kind string      `json:"kind"` // one of the kinds below
	Text string      `json:"text"`
}

// The kinds of kinship.
const (
	Renewed     = "renewed (same name, same key)"
	SameName    = "same name, other key"
	SameKey     = "same key, other name"
	CrossSigned = "cross-signed"
	SameSerial  = "same issuer and serial"
)

// maxKinships bounds what Family lists; twins come in pairs, not in crowds.
const maxKinships = 1000

// Family lists all relations among the given certificates, in their order, at
// most 1000. Copies of one certificate are no relation.
func Family(certs []*Certificate) []Kinship {
	var out []Kinship
	byName, byKey, bySerial := map[string][]int{}, map[string][]int{}, map[string][]int{}
	add := func(k Kinship, related bool) {
		if related && len(out) < maxKinships {
			out = append(out, k)
		}
	}
	for i, c := range certs {
		seen := map[int]bool{}
		for _, group := range [][]int{byName[string(c.Subject)], byKey[string(c.SPKI)]} {
			for _, j := range group {
				if !seen[j] && len(out) < maxKinships {
					seen[j] = true
					add(kin(certs[j], c))
				}
			}
		}
		serial := string(c.Issuer) + "\x00" + c.Serial.String()
		for _, j := range bySerial[serial] {
			if len(out) == maxKinships {
				break
			}
			add(sameSerial(certs[j], c))
		}
		byName[string(c.Subject)] = append(byName[string(c.Subject)], i)
		byKey[string(c.SPKI)] = append(byKey[string(c.SPKI)], i)
		bySerial[serial] = append(bySerial[serial], i)
	}
	return out
}

// kin tells how b, the later in order, is related to a by name and key.
func kin(a, b *Certificate) (Kinship, bool) {
	k := Kinship{A: a.Fingerprint(), B: b.Fingerprint()}
	if k.A == k.B {
		return k, false
	}
	pair := fmt.Sprintf("%s (%s, until %s) and %s (%s, until %s)",
		a.Name(), k.A.Short(), day(a.NotAfter), b.Name(), k.B.Short(), day(b.NotAfter))
	name, key := bytes.Equal(a.Subject, b.Subject), bytes.Equal(a.SPKI, b.SPKI)
	switch {
	case name && key && a.selfSigned() != b.selfSigned():
		k.Kind, k.Text = CrossSigned, pair+" have one name and one key; one is self-signed, the other is signed by another key"
	case name && key:
		k.Kind, k.Text = Renewed, pair+" have one name and one key: a renewal"
		own, _ := a.keyIDs()
		if other, _ := b.keyIDs(); len(own) > 0 && len(other) > 0 && !bytes.Equal(own, other) {
			k.Text += "; their key identifiers differ, so that OpenSSL, GnuTLS, NSS and Java do not take one for the other"
		}
	case name:
		k.Kind, k.Text = SameName, pair+" share a name and nothing else: certificates of one do not verify with the other"
	case key:
		k.Kind, k.Text = SameKey, pair+" share a key under two names"
	default:
		return k, false
	}
	return k, true
}

func sameSerial(a, b *Certificate) (Kinship, bool) {
	k := Kinship{A: a.Fingerprint(), B: b.Fingerprint(), Kind: SameSerial}
	k.Text = fmt.Sprintf("%s and %s have one issuer and one serial number; NSS and others keep only one of such a pair", k.A.Short(), k.B.Short())
	return k, k.A != k.B
}

// selfSigned reports a self-issued certificate whose signature is by its own
// key, or cannot be checked.
func (c *Certificate) selfSigned() bool {
	return c.SelfIssued() && c.selfSignature() != signatureBroken
}

// twins warns of other certificates with the same name, key or serial (RFC
// 5934 1.3.2: a key appears once in a store).
func (v *vetting) twins(others []*Certificate) {
	codes := map[string]string{Renewed: "same-name-and-key", SameName: "same-name", SameKey: "same-key", CrossSigned: "cross-signed-twin"}
	for _, o := range others {
		if o == nil {
			continue
		}
		if k, ok := kin(o, v.c); ok {
			v.warn(codes[k.Kind], "RFC 5934 1.3.2", "tell them apart by SHA-256 alone", "%s", k.Text)
		}
		if bytes.Equal(o.Issuer, v.c.Issuer) && o.Serial.Cmp(v.c.Serial) == 0 {
			if k, ok := sameSerial(o, v.c); ok {
				v.warn("same-serial", "RFC 5280 4.1.2.2", "have the CA issue one of them again", "%s", k.Text)
			}
		}
	}
}
