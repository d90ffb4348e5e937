package native

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"math/big"
	"slices"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// carry applies changes and returns the outcomes.
func carry(t *testing.T, w *Windows, batch ...trust.Change) []trust.Outcome {
	t.Helper()
	trial, err := w.Try(t.Context(), batch)
	if err != nil {
		t.Fatal(err)
	}
	return w.Apply(t.Context(), trial)
}

func seen(t *testing.T, w *Windows, r trust.Root) trust.Placement {
	t.Helper()
	s, err := w.Observe(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return s.Placement(r.Fingerprint)
}

// twin makes a root of a given subject and serial number.
func twin(t *testing.T, name string, serial int64) trust.Root {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: name}, NotBefore: time.Now().Add(-time.Hour),
		NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	return trust.Root{Fingerprint: root.Of(der), DER: der}
}

// TestWindowsElsewhere: what lies in an account's store or among the
// intermediates is told and does not count; placing leaves it where it is.
func TestWindowsElsewhere(t *testing.T) {
	const user = winUsers + `\S-1-5-21-1-2-3-1001\` + winOfUser + `\Root`
	for name, c := range map[string]struct {
		at string
		is trust.State
	}{
		"an account": {user, trust.UserOnly}, "intermediates": {winMachine + `\CA`, trust.Misplaced},
		"a service": {winServices + `\tide\SystemCertificates\Root`, trust.UserOnly},
	} {
		w, f := newFakeWindows(t)
		r := trusttest.NewAuthority(t, "Harbour Root").Root()
		f.put(c.at, r.DER)
		p := seen(t, w, r)
		if p.State != trust.Absent || p.Elsewhere() != c.is || len(p.Aside) != 1 {
			t.Errorf("%s: %s, elsewhere %q, %+v", name, p.State, p.Elsewhere(), p.Aside)
		}
		if out := carry(t, w, trusttest.Change(trust.Place, r)); out[0].Status != trust.Done {
			t.Errorf("%s: %v", name, out[0].Err)
		}
		if p := seen(t, w, r); p.State != trust.Placed || len(p.Aside) != 1 {
			t.Errorf("%s: %s, aside %+v", name, p.State, p.Aside)
		}
		out := carry(t, w, trusttest.Change(trust.Withdraw, r))
		if p := seen(t, w, r); out[0].Status != trust.Done || p.State != trust.Absent || len(p.Aside) != 1 {
			t.Errorf("%s: withdrawn, %v, %s, aside %+v", name, out[0].Err, p.State, p.Aside)
		}
	}
}

func TestWindowsSweep(t *testing.T) {
	const user = winUsers + `\S-1-5-21-1-2-3-1001\` + winOfUser + `\Root`
	w, f := newFakeWindows(t)
	a, b := twin(t, "Harbour Root", 7), twin(t, "Harbour Root", 7)
	f.put(user, a.DER, b.DER)
	f.put(winMachine+`\Root`, a.DER, b.DER)
	f.put(winProfiles + `\S-1-5-21-1-2-3-1002`)
	c := trusttest.Change(trust.Withdraw, a)
	c.Sweep = true
	out := carry(t, w, c)
	if out[0].Status != trust.Done || len(out[0].Notes) != 2 || !strings.Contains(out[0].Notes[1], "1002") {
		t.Errorf("%v, notes %q", out[0].Err, out[0].Notes)
	}
	if p := seen(t, w, a); p.State != trust.Absent || len(p.Aside) != 0 {
		t.Errorf("the root: %s, aside %+v", p.State, p.Aside)
	}
	if p := seen(t, w, b); p.State != trust.Placed || len(p.Aside) != 1 {
		t.Errorf("its twin: %s, aside %+v", p.State, p.Aside)
	}
}

// TestWindowsDirectory: a directory's copy counts, needs none of ours, and is
// not ours to take out.
func TestWindowsDirectory(t *testing.T) {
	for _, home := range []string{winPolicies, winEnterprise} {
		w, f := newFakeWindows(t)
		r := trusttest.NewAuthority(t, "Harbour Root").Root()
		f.put(home+`\Root`, r.DER)
		p := seen(t, w, r)
		if p.State != trust.Placed || p.Found[0].Origin != trust.FromDirectory {
			t.Errorf("%s, %+v", p.State, p.Found)
		}
		carry(t, w, trusttest.Change(trust.Place, r))
		if n := len(f.keys[winMachine+`\Root`]); n != 1 {
			t.Errorf("%d own copies beside a directory's", n)
		}
		out := carry(t, w, trusttest.Change(trust.Withdraw, r))
		if out[0].Status != trust.Failed || !strings.Contains(out[0].Err.Error(), "who can take it out") {
			t.Errorf("%v", out[0].Err)
		}
		if out = carry(t, w, trusttest.Change(trust.Block, r)); out[0].Status != trust.Done {
			t.Error(out[0].Err)
		}
		f.merges = false // programs do not see the directory's copy
		w, f = newFakeWindows(t)
		f.merges = false
		f.put(home+`\Root`, r.DER)
		if p := seen(t, w, r); p.State != trust.Incomplete {
			t.Errorf("unseen by programs: %s", p.State)
		}
		if out := carry(t, w, trusttest.Change(trust.Place, r)); out[0].Status != trust.Done || seen(t, w, r).State != trust.Placed {
			t.Errorf("%v", out[0].Err)
		}
	}
}

// TestWindowsIdle: entries that programs pass over do not count, and placing
// mends them.
func TestWindowsIdle(t *testing.T) {
	const at = winMachine + `\Root`
	r := trusttest.NewAuthority(t, "Harbour Root").Root()
	whole := blobOf(r.DER, "by hand")
	for name, k := range map[string]winKey{
		"lower case":     {strings.ToLower(thumb(r.DER)), whole},
		"another name":   {strings.Repeat("AB", 20), whole},
		"a wrong SHA-1":  {thumb(r.DER), slices.Concat(element(propSHA1, make([]byte, 20)), element(propCert, r.DER))},
		"another use":    {thumb(r.DER), slices.Concat(element(propUsage, []byte{0x30, 0}), element(propCert, r.DER))},
		"archived":       {thumb(r.DER), slices.Concat(element(propArchived, nil), element(propCert, r.DER))},
		"cut off":        {thumb(r.DER), whole[:len(whole)-9]},
		"no certificate": {thumb(r.DER), element(propSHA1, make([]byte, 20))},
	} {
		w, f := newFakeWindows(t)
		f.keys[at][k.Name] = k.Blob
		if p := seen(t, w, r); p.State == trust.Placed {
			t.Errorf("%s counts as placed", name)
		}
		if out := carry(t, w, trusttest.Change(trust.Place, r)); out[0].Status != trust.Done || seen(t, w, r).State != trust.Placed {
			t.Errorf("%s: %v", name, out[0].Err)
		}
		carry(t, w, trusttest.Change(trust.Withdraw, r))
		if p := seen(t, w, r); p.State != trust.Absent {
			t.Errorf("%s: %s after a withdraw", name, p.State)
		}
	}
}

func TestWindowsRefuses(t *testing.T) {
	a := trusttest.NewAuthority(t, "Harbour Root")
	leaf, _ := a.Issue(t, "crane.harbour.test")
	broken := bytes.Clone(a.Cert.Raw)
	broken[len(broken)-1] ^= 1
	for name, der := range map[string][]byte{"a leaf": leaf.Raw, "a byte more": append(bytes.Clone(a.Cert.Raw), '\n'), "a broken signature": broken} {
		w, f := newFakeWindows(t)
		out := carry(t, w, trusttest.Change(trust.Place, trust.Root{Fingerprint: root.Of(der), DER: der}))
		if out[0].Status != trust.Failed || len(f.keys[winMachine+`\Root`]) != 1 {
			t.Errorf("%s was placed", name)
		}
	}
}

// TestWindowsBelievesNoWords: what answers success and does nothing is found
// out, and so is a list of somebody else that refuses the root.
func TestWindowsBelievesNoWords(t *testing.T) {
	r := trusttest.NewAuthority(t, "Harbour Root").Root()
	w, f := newFakeWindows(t)
	f.deaf = true
	if out := carry(t, w, trusttest.Change(trust.Place, r)); out[0].Status != trust.Failed {
		t.Error("an add without effect counts")
	}
	for _, home := range []string{winMachine, winPolicies} {
		w, f = newFakeWindows(t)
		f.put(home+`\`+winDisallowed, r.DER)
		f.put(winMachine+`\Root`, r.DER)
		if p := seen(t, w, r); p.State == trust.Placed {
			t.Error("a refused root counts as placed")
		}
		if out := carry(t, w, trusttest.Change(trust.Place, r)); out[0].Status != trust.Failed {
			t.Error("somebody's refusal was passed over")
		}
		if len(f.keys[home+`\`+winDisallowed]) != 1 {
			t.Error("somebody's refusal was lifted")
		}
	}
}

func TestWindowsRestore(t *testing.T) {
	w, f := newFakeWindows(t)
	r := trusttest.NewAuthority(t, "Harbour Root").Root()
	trial, err := w.Try(t.Context(), []trust.Change{trusttest.Change(trust.Place, r)})
	if err != nil {
		t.Fatal(err)
	}
	before := f.keys[winMachine+`\Root`]
	f.beforeCommit = func() { f.keys[winMachine+`\Root`] = map[string][]byte{} }
	w.Apply(t.Context(), trial)
	f.beforeCommit, f.keys[winMachine+`\Root`] = nil, map[string][]byte{}
	if err := trial.(trust.Restorer).Restore(t.Context(), trust.PlatformPart); err != nil {
		t.Fatal(err)
	}
	for name := range before {
		if f.keys[winMachine+`\Root`][name] == nil {
			t.Errorf("%s did not come back", name)
		}
	}
	if f.keys[winMachine+`\Root`][thumb(r.DER)] != nil {
		t.Error("a root came that was not there before")
	}
}

func TestWindowsTellsTwins(t *testing.T) {
	w, f := newFakeWindows(t)
	a, b := twin(t, "Harbour Root", 7), twin(t, "Harbour Root", 7)
	f.put(winMachine+`\Root`, a.DER)
	trial, err := w.Try(t.Context(), []trust.Change{trusttest.Change(trust.Place, b)})
	if err != nil || len(trial.Notes()) != 1 {
		t.Fatalf("%v, %q", err, trial.Notes())
	}
}

func FuzzBlob(f *testing.F) {
	f.Add(blobOf([]byte{0x30, 0}, "a root"))
	f.Add([]byte("-----BEGIN CERTIFICATE-----\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		got, err := parseBlob(data)
		if (err == nil) != (len(got.der) > 0) && err == nil {
			t.Fatal("no certificate and no error")
		}
		total := 0
		for _, p := range got.props {
			total += len(p)
		}
		if total > len(data) {
			t.Fatal("more came out than went in")
		}
	})
}
