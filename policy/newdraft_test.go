package policy

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/trust/root"
)

func TestNewDraftWorks(t *testing.T) {
	a, b := newCA(t, "Harbour \u202e\"Root\"\n2026", 1, nil), newCA(t, "Harbour Root 2016", 2, nil)
	twin := newCA(t, "Harbour Root 2016", 3, nil)
	f := files{`a "quoted" name.pem`: a.pem(), "both.pem": slices.Concat(b.pem(), twin.pem(), a.pem(), b.leaf(t, "x.harbour.test").pem())}
	text, err := NewDraft("harbour", []RootFile{{`a "quoted" name.pem`, f[`a "quoted" name.pem`]}, {"both.pem", f["both.pem"]}})
	if err != nil {
		t.Fatal(err)
	}
	if strings.ContainsAny(string(text), "\u202e\x1b\r") {
		t.Errorf("a name got raw into the draft: %q", text)
	}
	d, err := ParseDraft(text)
	if err != nil {
		t.Fatalf("%v in\n%s", err, text)
	}
	d.Expires = Expiry{}
	doc, found, err := Compile(d, f.load, 1, at("2026-01-10"))
	// The hidden character in the first name is a finding of vetting; nothing
	// else may stop it.
	for _, x := range found {
		if x.Stops() && x.Root != a.fp() {
			t.Errorf("%+v", x)
		}
	}
	if err == nil {
		t.Fatal("a hidden character in a name passed")
	}
	text = bytes.Replace(text, []byte(`sha256 = "`+a.fp().String()+"\"\n"), []byte(`sha256 = "`+a.fp().String()+"\"\nwaive = [{ code = \"name-hidden-characters\", reason = \"a test\" }]\n"), 1)
	doc, found, err = compile(t, string(text), f, at("2026-01-10"))
	if err != nil || len(doc.Roots) != 3 || doc.Roots[1].Label == doc.Roots[2].Label {
		t.Errorf("%v: %v", err, found)
	}
}

func TestNewDraftRefuses(t *testing.T) {
	ca := newCA(t, "Harbour Root 2026", 1, nil)
	if _, err := NewDraft("Harbour!", nil); CodeOf(err) != CodeDraft {
		t.Errorf("name: %v", err)
	}
	if _, err := NewDraft("harbour", []RootFile{{"leaf.pem", ca.leaf(t, "x.harbour.test").pem()}}); CodeOf(err) != CodeDraft {
		t.Errorf("leaf: %v", err)
	}
	_, err := NewDraft("harbour", []RootFile{{"none", nil}})
	if no, ok := errors.AsType[*root.Refusal](err); !ok || no.Code != "empty" {
		t.Errorf("empty: %v", err)
	}
}

func TestDraftFromHost(t *testing.T) {
	a, b := newCA(t, "Harbour Root 2026", 1, nil), newCA(t, "Harbour Root 2016", 2, nil)
	f := files{}
	text, err := DraftFromHost("harbour", []FoundRoot{{a.cert.Raw, "anchors/a.crt"}, {b.cert.Raw, "anchors/b.crt"}, {a.cert.Raw, "anchors/\x1bcopy.crt"}}, f.write)
	if err != nil {
		t.Fatal(err)
	}
	if len(f) != 2 || strings.Contains(string(text), "\x1b") {
		t.Errorf("files %v", f)
	}
	_, found, err := compile(t, string(text), f, at("2026-01-10"))
	stops := 0
	for _, x := range found {
		if x.Stops() {
			stops++
			if x.Code != "not-confirmed" {
				t.Errorf("%+v", x)
			}
		}
	}
	if err == nil || stops != 2 {
		t.Errorf("%d unconfirmed roots stop it, %v", stops, err)
	}
	confirmed := strings.ReplaceAll(string(text), "confirmed = false\n", "")
	if doc, found, err := compile(t, confirmed, f, at("2026-01-10")); err != nil || len(doc.Roots) != 2 {
		t.Errorf("%v: %v", err, found)
	}
	full := errors.New("no space left")
	if _, err := DraftFromHost("harbour", []FoundRoot{{a.cert.Raw, ""}}, func(string, []byte) error { return full }); !errors.Is(err, full) {
		t.Errorf("a failing write: %v", err)
	}
}

// The draft that Revert writes compiles to the standings of then, keeps roots
// that are newer, and stops where a distrusted root would be trusted again.
func TestRevert(t *testing.T) {
	k := firstKeyset(1, testSigner(t, Ed25519, 1))
	ca, other, newer := newCA(t, "Harbour Root 2026", 1, nil), newCA(t, "Harbour Root 2016", 2, nil), newCA(t, "Harbour Root 2027", 3, nil)
	entry := func(ca testCA, stage string, s Standing) Root {
		return Root{SHA256: ca.fp(), DER: ca.cert.Raw, Label: ca.cert.Subject.CommonName, Purposes: []string{TLSServer, Email}, Stores: []string{MachineStore}, Standings: []Step{{Standing: s, Stage: stage}}}
	}
	start, deadline := at("2026-01-01"), at("2026-08-01")
	earlier := document(k, 3, at("2026-01-02"), at("2026-03-01"), entry(ca, "pilot", Trusted), entry(other, AllHosts, Trusted))
	earlier.Stages = []Stage{{Name: "pilot", Percent: 10, Labels: map[string]string{"site": "north"}}}
	earlier.Roots[0].Sample = [][]byte{ca.leaf(t, "x.harbour.test").cert.Raw}
	earlier.Roots[0].Waivers = []Waiver{{"curve", "a \"reason\"\nof two lines"}}
	succeeds := other.fp()
	earlier.Roots[0].Succeeds, earlier.Roots[0].Own, earlier.Roots[0].Sweep = &succeeds, true, true
	current := document(k, 7, at("2026-02-02"), at("2026-04-01"), entry(ca, AllHosts, Retired), entry(other, AllHosts, Distrusted), entry(newer, "pilot", Trusted))
	current.Stages = []Stage{{Name: "pilot", Percent: 50, Start: &start}}
	current.Roots[0].Standings[0].Deadline = &deadline
	current.Services = []Service{{Name: "tides", Address: "tides.harbour.test:636", StartTLS: "ldap", Stages: []string{"pilot"}, Identity: "tides", Notes: "x"}}

	f := files{}
	text, err := Revert(current, earlier, f.write)
	if err != nil {
		t.Fatal(err)
	}
	_, found, err := compile(t, string(text), f, at("2026-02-03"))
	if CodeOf(err) != CodeDraft || !slices.ContainsFunc(found, func(d DraftFinding) bool { return d.Code == "not-confirmed" && d.Root == other.fp() }) {
		t.Errorf("a distrusted root would be trusted again: %v, %v", err, found)
	}
	doc, found, err := compile(t, strings.ReplaceAll(string(text), "confirmed = false\n", ""), f, at("2026-02-03"))
	if err != nil {
		t.Fatalf("%v: %v in\n%s", err, found, text)
	}
	want := current
	want.Roots = slices.Concat(earlier.Roots, []Root{current.Roots[2].clone()})
	want.Roots[2].Standings[0].Stage = "pilot-2"
	want.Stages = []Stage{earlier.Stages[0], current.Stages[0]}
	want.Stages[1].Name = "pilot-2"
	want.Services = []Service{current.Services[0]}
	want.Services[0].Stages = []string{"pilot-2"}
	want.Version, want.Issued, want.Expires = 8, doc.Issued, doc.Expires
	if got, want := mustCanonical(t, doc), mustCanonical(t, want); !bytes.Equal(got, want) {
		t.Errorf("compiled to\n%s\nwant\n%s", got, want)
	}
	staging := earlier
	staging.Name = "staging"
	if _, err := Revert(current, staging, f.write); CodeOf(err) != CodeWrongPolicy {
		t.Errorf("another policy: %v", err)
	}
}
