//go:build linux

package bench

import (
	"crypto/rand"
	"crypto/x509"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// office is three signers and their keyset, of which all three sign.
type office struct {
	chain   policy.Chain
	signers []policy.Signer
	file    string // the keyset
}

func newOffice(b *testing.B) office {
	b.Helper()
	var o office
	var keys []policy.Key
	for range 3 {
		s, err := policy.NewSigner(policy.Ed25519, rand.Reader)
		if err != nil {
			b.Fatal(err)
		}
		o.signers, keys = append(o.signers, s), append(keys, s.Public())
	}
	var err error
	o.chain, err = policy.NewChain(policy.Keyset{Schema: policy.KeysetSchema, Policy: "harbour", Serial: 1,
		Issued: now(), Threshold: 3, Keys: keys})
	if err != nil {
		b.Fatal(err)
	}
	data, err := o.chain.JSON()
	if err != nil {
		b.Fatal(err)
	}
	o.file = filepath.Join(b.TempDir(), "harbour.keyset")
	if err := os.WriteFile(o.file, data, 0o644); err != nil {
		b.Fatal(err)
	}
	return o
}

func now() time.Time { return time.Now().UTC().Truncate(time.Second) }

// policy signs one that trusts roots on all hosts.
func (o office) policy(b *testing.B, trusted []trusttest.Authority) []byte {
	b.Helper()
	doc := policy.Document{Schema: policy.Schema, Name: "harbour", Epoch: o.chain.Current().Epoch(), Version: 1,
		Issued: now(), Expires: now().Add(90 * 24 * time.Hour)}
	for i, a := range trusted {
		r := a.Root()
		doc.Roots = append(doc.Roots, policy.Root{SHA256: r.Fingerprint, DER: r.DER, Label: fmt.Sprintf("Harbour Root %d", i+1),
			Standings: []policy.Step{{Standing: policy.Trusted, Stage: policy.AllHosts}},
			Purposes:  []string{policy.TLSServer}, Stores: []string{policy.MachineStore}})
	}
	data, err := policy.Sign(doc, o.chain, now(), o.signers...)
	if err != nil {
		b.Fatal(err)
	}
	return data
}

// large is a policy as large as one may be.
func large(b *testing.B) (office, []trusttest.Authority, []byte) {
	o := newOffice(b)
	var all []trusttest.Authority
	for i := range policy.MaxRoots {
		all = append(all, trusttest.NewAuthority(b, fmt.Sprintf("Harbour Root %d", i+1)))
	}
	return o, all, o.policy(b, all)
}

// openPolicy opens it in this process, beside Go's parsing of its certificates
// alone.
func openPolicy(b *testing.B) row {
	o, all, data := large(b)
	var ours, base sample
	for range many {
		begun := time.Now()
		if _, _, err := policy.Open(data, policy.Pin{Keyset: o.chain.First()}, policy.Floor{}, now()); err != nil {
			b.Fatal(err)
		}
		ours = append(ours, time.Since(begun))
		begun = time.Now()
		for _, a := range all {
			if _, err := x509.ParseCertificate(a.Cert.Raw); err != nil {
				b.Fatal(err)
			}
		}
		base = append(base, time.Since(begun))
	}
	return row{"opening a policy of 1,000 roots, 3 signatures, in process", ours.String(), base.String() + " parsing its certificates alone",
		fmt.Sprintf("%.2f", 1/against(ours, base)), "<= 20 ms", verdict(ours.median() <= 20*time.Millisecond)}
}

// openProcess has the program show it.
func openProcess(b *testing.B, program string) row {
	o, _, data := large(b)
	file := filepath.Join(b.TempDir(), "harbour.policy")
	if err := os.WriteFile(file, data, 0o644); err != nil {
		b.Fatal(err)
	}
	ours := times(b, many, nil, program, "open", "--keyset", o.file, file)
	return row{"showing that policy ('anchorhold open')", ours.String(), "", "", "told", ""}
}
