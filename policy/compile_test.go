package policy

import (
	"bytes"
	"crypto/x509"
	"encoding/pem"
	"slices"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/trust/root"
)

func TestCompile(t *testing.T) {
	ca, old := newCA(t, "Harbour Root 2026", 1, nil), newCA(t, "Harbour Root 2016", 2, nil)
	leaf := ca.leaf(t, "tides.harbour.test")
	f := files{"new.pem": slices.Concat(old.pem(), ca.pem()), "leaf.pem": leaf.pem()}
	doc, found, err := compile(t, `
name = "harbour"
version = 4
expires = 2026-05-01
contact = "trust@harbour.test"
[[stage]]
name = "pilot"
percent = 5
start = 2026-02-01T06:00:00+01:00
labels = { site = "north" }
[[root]]
label = "new"
file = "new.pem"
sha256 = "`+strings.ToUpper(ca.fp().String())+`"
standings = [{ standing = "trusted", stage = "pilot", until = 2027-01-01 }]
succeeds = "old"
sample = "leaf.pem"
[[root]]
label = "old"
sha256 = "`+old.fp().String()+`"
standings = [{ standing = "retired", deadline = 2026-06-01 }]
[[root]]
label = "gone"
sha256 = "`+strings.Repeat("ab", 32)+`"
standing = "distrusted"
[[service]]
name = "tide tables"
address = "tides.harbour.test:443"
`, f, at("2026-01-10"))
	if err != nil {
		t.Fatalf("%v: %v", err, found)
	}
	r := doc.Roots
	if doc.Schema != 1 || doc.Version != 4 || doc.Epoch != 1 || !doc.Issued.Equal(at("2026-01-10")) || !doc.Expires.Equal(at("2026-05-01")) ||
		!doc.Stages[0].Start.Equal(at("2026-02-01T05:00:00Z")) || doc.Stages[0].Percent != 5 {
		t.Errorf("head %+v", doc)
	}
	if !bytes.Equal(r[0].DER, ca.cert.Raw) || r[0].SHA256 != ca.fp() || *r[0].Succeeds != old.fp() || !bytes.Equal(r[0].Sample[0], leaf.cert.Raw) ||
		!r[0].Standings[0].Until.Equal(at("2027-01-01")) || r[0].Purposes[0] != TLSServer || r[0].Stores[0] != MachineStore {
		t.Errorf("new %+v", r[0])
	}
	if r[1].DER != nil || r[1].Standings[0].Stage != AllHosts || !r[1].Standings[0].Deadline.Equal(at("2026-06-01T23:59:59Z")) {
		t.Errorf("old %+v", r[1])
	}
	if r[2].Standings[0].Standing != Distrusted || r[2].Standings[0].Stage != AllHosts {
		t.Errorf("gone %+v", r[2])
	}
	k := firstKeyset(1, testSigner(t, Ed25519, 1))
	if _, err := Sign(doc, mustChain(t, k), at("2026-01-10"), testSigner(t, Ed25519, 1)); err != nil {
		t.Error(err)
	}
}

// Each row spoils one root of a draft; code is the finding that must come of
// it, at the line of the root, and whether it stops the compiling.
func TestCompileFindings(t *testing.T) {
	ca := newCA(t, "Harbour Root 2026", 1, nil)
	twin := newCA(t, "Harbour Root 2026", 3, nil)
	expired := newCA(t, "Harbour Root 2005", 4, func(c *x509.Certificate) { c.NotBefore, c.NotAfter = at("2005-01-01"), at("2015-01-01") })
	ending := newCA(t, "Harbour Root 2016", 5, func(c *x509.Certificate) { c.NotAfter = at("2026-02-01") })
	leaf := ca.leaf(t, "tides.harbour.test")
	key, err := x509.MarshalECPrivateKey(ca.key)
	if err != nil {
		t.Fatal(err)
	}
	f := files{
		"ca.pem": ca.pem(), "twin.pem": twin.pem(), "expired.pem": expired.pem(), "ending.pem": ending.pem(), "leaf.pem": leaf.pem(),
		"page.pem": []byte("<!doctype html><title>Sign in</title>"),
		"key.pem":  append(pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: key}), ca.pem()...),
	}
	fp := func(ca testCA) string { return `sha256 = "` + ca.fp().String() + `"` + "\n" }
	trusted := `standing = "trusted"` + "\n"
	for name, c := range map[string]struct {
		root  string
		code  string
		stops bool
	}{
		"fine":                  {`file = "ca.pem"` + "\n" + fp(ca) + trusted, "no-name-constraints", false},
		"no fingerprint":        {`file = "ca.pem"` + "\n" + trusted, "fingerprint-missing", true},
		"no file":               {fp(ca) + trusted, "file-missing", true},
		"file gone":             {`file = "none.pem"` + "\n" + fp(ca) + trusted, "file-unread", true},
		"file gone, not needed": {`file = "none.pem"` + "\n" + fp(ca) + `standing = "retired"`, "file-unread", false},
		"half a fingerprint":    {`file = "ca.pem"` + "\n" + `sha256 = "abcd"` + "\n" + trusted, "fingerprint-form", true},
		"SHA-1":                 {`file = "ca.pem"` + "\n" + `sha256 = "` + strings.Repeat("ab", 20) + `"` + "\n" + trusted, "fingerprint-form", true},
		"other fingerprint":     {`file = "ca.pem"` + "\n" + fp(twin) + trusted, "fingerprint-other", true},
		"not confirmed":         {`file = "ca.pem"` + "\nconfirmed = false\n" + fp(ca) + trusted, "not-confirmed", true},
		"confirmed":             {`file = "ca.pem"` + "\nconfirmed = true\n" + fp(ca) + trusted, "no-name-constraints", false},
		"web page":              {`file = "page.pem"` + "\n" + fp(ca) + trusted, "web-page", true},
		"private key":           {`file = "key.pem"` + "\n" + fp(ca) + trusted, "private-key", true},
		"private key, retired":  {`file = "key.pem"` + "\n" + fp(ca) + `standing = "retired"`, "private-key", true},
		"leaf":                  {`file = "leaf.pem"` + "\n" + fp(leaf) + trusted, "end-entity", true},
		"leaf, waived":          {`file = "leaf.pem"` + "\n" + fp(leaf) + trusted + "waive = [{ code = \"end-entity\", reason = \"please\" }]", "end-entity", true},
		"expired":               {`file = "expired.pem"` + "\n" + fp(expired) + trusted, "expired", true},
		"expired, waived":       {`file = "expired.pem"` + "\n" + fp(expired) + trusted + "waive = [{ code = \"expired\", reason = \"old scales check no dates\" }]", "expired", false},
		"expired, other waiver": {`file = "expired.pem"` + "\n" + fp(expired) + trusted + "waive = [{ code = \"curve\", reason = \"please\" }]", "expired", true},
		"expired, retired":      {`file = "expired.pem"` + "\n" + fp(expired) + `standing = "retired"`, "", false},
		"waiver of nothing":     {`file = "ca.pem"` + "\n" + fp(ca) + trusted + "waive = [{ code = \"curve\", reason = \"please\" }]", "waiver-unused", false},
		"waiver, retired":       {fp(ca) + "standing = \"retired\"\nwaive = [{ code = \"curve\", reason = \"please\" }]", "waiver-unused", false},
		"ending":                {`file = "ending.pem"` + "\n" + fp(ending) + trusted, "root-expires", false},
		"no standing":           {`file = "ca.pem"` + "\n" + fp(ca), "standing-missing", true},
		"two standings":         {`file = "ca.pem"` + "\n" + fp(ca) + trusted + "standings = [{ standing = \"retired\" }]", "standing-twice", true},
		"unknown standing":      {fp(ca) + "standing = \"banned\"", "standing", true},
		"unknown stage":         {fp(ca) + "standings = [{ standing = \"retired\", stage = \"pilots\" }]", "stage-unknown", true},
		"succeeds nobody":       {fp(ca) + "standing = \"retired\"\nsucceeds = \"nobody\"", "succeeds", true},
		"succeeds a stranger":   {fp(ca) + "standing = \"retired\"\nsucceeds = \"" + twin.fp().String() + "\"", "succeeds", true},
		"succeeds itself":       {fp(ca) + "standing = \"retired\"\nsucceeds = \"the root\"", "succeeds", true},
		"sample gone":           {`file = "ca.pem"` + "\n" + fp(ca) + trusted + "sample = \"none.pem\"", "file-unread", true},
		"unknown store":         {fp(ca) + "standing = \"retired\"\nstores = [\"browser\"]", "store-unknown", false},
		"no stores":             {fp(ca) + "standing = \"retired\"\nstores = []", "count", true},
		"label twice":           {fp(ca) + "standing = \"retired\"\n[[root]]\nlabel = \"the root\"\nstanding = \"retired\"\n" + fp(twin), "label-twice", false},
		"root twice":            {fp(ca) + "standing = \"retired\"\n[[root]]\nlabel = \"again\"\nstanding = \"retired\"\n" + fp(ca), "root-twice", true},
		"twins":                 {`file = "ca.pem"` + "\n" + fp(ca) + trusted + "[[root]]\nlabel = \"twin\"\nfile = \"twin.pem\"\n" + trusted + fp(twin), "kinship", false},
		"unused stage":          {fp(ca) + "standing = \"retired\"\n[[stage]]\nname = \"pilot\"", "stage-unused", false},
	} {
		doc, found, err := compile(t, "name = \"harbour\"\nversion = 1\n[[root]]\nlabel = \"the root\"\n"+c.root, f, at("2026-01-10"))
		if (CodeOf(err) == CodeDraft) != c.stops {
			t.Errorf("%s: error %v, stops should be %v; %v", name, err, c.stops, found)
		}
		if c.stops != (doc.Name == "") {
			t.Errorf("%s: document and error do not fit together", name)
		}
		i := slices.IndexFunc(found, func(d DraftFinding) bool { return d.Code == c.code })
		if c.code == "" {
			if len(found) != 0 {
				t.Errorf("%s: %v", name, found)
			}
			continue
		}
		if i < 0 {
			t.Errorf("%s: no finding %q in %v", name, c.code, found)
			continue
		}
		if got := found[i]; got.Stops() != c.stops || got.Reason == "" || got.Line < 3 {
			t.Errorf("%s: %+v", name, got)
		}
		for _, d := range found {
			if strings.Contains(d.Reason+d.Remedy, "MHcCAQ") {
				t.Errorf("%s: a byte of a key in %q", name, d.Reason)
			}
		}
	}
}

// A missing fingerprint shows what is in the file, so that it can be confirmed.
func TestCompileShowsFingerprints(t *testing.T) {
	ca := newCA(t, "Harbour Root 2026", 1, nil)
	_, found, err := compile(t, "name = \"harbour\"\nversion = 1\n[[root]]\nlabel = \"x\"\nfile = \"ca.pem\"\nstanding = \"trusted\"\n", files{"ca.pem": ca.pem()}, at("2026-01-10"))
	if err == nil || len(found) != 1 || !strings.Contains(found[0].Reason, ca.fp().String()) || found[0].Line != 3 {
		t.Errorf("%v: %v", err, found)
	}
	waived := DraftFinding{Severity: root.Refuse, Waived: "x"}
	if waived.Stops() {
		t.Error("a waived finding stops")
	}
}

func TestCompilePolicyEnd(t *testing.T) {
	for expires, code := range map[string]string{"10d": "expires-soon", "13d": "expires-soon", "14d": "", "401d": "expires", "400d": "", "2026-01-09": "expires"} {
		_, found, _ := compile(t, "name = \"harbour\"\nversion = 1\nexpires = \""+expires+"\"", nil, at("2026-01-10"))
		got := ""
		if len(found) > 0 {
			got = found[0].Code
		}
		if got != code {
			t.Errorf("expires %s: %v, want %q", expires, found, code)
		}
	}
}
