package main

import (
	"crypto/ed25519"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"os"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// TestTwoOfThree has three people share a keyset, one of them with openssl
// alone, and sign days apart.
func TestTwoOfThree(t *testing.T) {
	if !onMachine(t) {
		return
	}
	trusttest.Need(t, "openssl")
	o := &office{t: t, dir: t.TempDir()}
	write(t, o.path("phrase"), "tide and crane\n", 0o600)
	must(t, 0, o.dir, "keys", "new", "--name", "quay", "--no-passphrase")
	must(t, 0, o.dir, "keys", "new", "--name", "tower", "--passphrase-file", "phrase", "--kind", "P-256")
	says(t, read(t, o.path("tower.key")), "ENCRYPTED PRIVATE KEY")
	tool(t, "openssl", "genpkey", "-algorithm", "ed25519", "-out", o.path("office.key"))
	tool(t, "openssl", "pkey", "-in", o.path("office.key"), "-pubout", "-out", o.path("office.pub"))
	must(t, 0, o.dir, "keyset", "new", "--policy", "harbour", "--threshold", "2", "quay.pub", "tower.pub", "office.pub")
	write(t, o.path("starter.toml"), must(t, 0, o.dir, "starter").out, 0o644)
	says(t, must(t, 0, "/", "adopt", o.path("starter.toml")).out, "2 of 3 keys")

	_, e := o.authority("Harbour Shared")
	e1 := must(t, 0, o.dir, "sign", "--key", "quay.key", o.draft(e))
	says(t, e1.out, "1 of the 2 signatures")
	o.publish()
	before := tree(t)
	r := result(t, exitWrong, "enforce")
	if r.Policy != nil || r.Code != policy.CodeThreshold {
		t.Errorf("one signature of two is believed: %+v, %q", r.Policy, r.Code)
	}
	before.same(t, tree(t), "/var/lib/anchorhold")
	if e := anchorhold(t, o.dir, "countersign", "--key", "quay.key", "harbour.policy"); e.code == 0 {
		t.Error("the same key signed twice")
	}

	// The third signer has openssl only, and comes three days later.
	must(t, 0, o.dir, "countersign", "--as", "office.pub", "--bytes", "to-sign.bin", "harbour.policy")
	tool(t, "openssl", "pkeyutl", "-sign", "-rawin", "-inkey", o.path("office.key"), "-in", o.path("to-sign.bin"), "-out", o.path("office.sig"))
	t.Chdir(o.dir)
	later := onClock(t, time.Now().AddDate(0, 0, 3), "countersign", "--as", "office.pub", "--attach", "office.sig", "harbour.policy")
	if later.code != 0 {
		t.Fatalf("attach: %s", later.all())
	}
	says(t, later.out, "hosts will believe it")
	o.publish()
	result(t, 0, "enforce").placement(t, e.sha).expect(t, "placed", true, agent.Us)

	// The next version is signed by the other pair, the one with a passphrase
	// later.
	must(t, 0, o.dir, "sign", "--key", "quay.key", o.draft(e.as("retired")))
	later = onClock(t, time.Now().AddDate(0, 0, 1), "countersign", "--key", "tower.key", "--passphrase-file", "phrase", "harbour.policy")
	if later.code != 0 {
		t.Fatalf("countersign: %s", later.all())
	}
	o.publish()
	result(t, 0, "enforce", "--force", "it was a test").placement(t, e.sha).expect(t, "absent", true, "")
	if strings.Count(must(t, 0, "/", "history").out, "done") != 2 {
		t.Error("the history does not tell of two changes")
	}
}

// resigned signs another payload with the signer's key, as somebody with the
// key and another program would.
func (o *office) resigned(change func(payload string) string) []byte {
	o.t.Helper()
	var f struct {
		Keysets []json.RawMessage `json:"keysets"`
		Policy  struct {
			Payload    string              `json:"payload"`
			Signatures []map[string]string `json:"signatures"`
		} `json:"policy"`
	}
	decode(o.t, read(o.t, o.path("harbour.policy")), &f)
	payload, err := base64.RawURLEncoding.DecodeString(f.Policy.Payload)
	if err != nil {
		o.t.Fatal(err)
	}
	b, _ := pem.Decode([]byte(read(o.t, o.path("harbour.key"))))
	key, err := x509.ParsePKCS8PrivateKey(b.Bytes)
	if err != nil {
		o.t.Fatal(err)
	}
	changed := change(string(payload))
	if changed == string(payload) {
		o.t.Fatal("nothing was changed")
	}
	f.Policy.Payload = base64.RawURLEncoding.EncodeToString([]byte(changed))
	s := f.Policy.Signatures[0]
	s["signature"] = base64.RawURLEncoding.EncodeToString(ed25519.Sign(key.(ed25519.PrivateKey), []byte(s["protected"]+"."+f.Policy.Payload)))
	data, err := json.Marshal(f)
	if err != nil {
		o.t.Fatal(err)
	}
	return data
}

// TestPoliciesThatAreNotBelieved offers a host, which follows version 3, all
// kinds of policies that it must not take.
func TestPoliciesThatAreNotBelieved(t *testing.T) {
	if !onMachine(t) {
		return
	}
	o := newOffice(t)
	_, e := o.authority("Harbour Held")
	_, other := o.authority("Harbour Other")
	o.version = 1
	o.sign(e, other)
	second := read(t, inForce)
	o.sign(e)
	third := read(t, inForce)
	result(t, 0, "enforce")
	evil := `"label":"Harbour Evil"`
	o.version = 3 // the next one is 4
	fourth := string(o.unvetted(o.document(time.Now(), wants(t, e.file, policy.Trusted), wants(t, other.file, policy.Trusted))))
	o.version = 2
	equal := string(o.unvetted(o.document(time.Now(), wants(t, other.file, policy.Trusted))))
	past := o.document(time.Now().AddDate(-1, 0, 0), wants(t, other.file, policy.Trusted))
	past.Version = 9
	stranger := &office{t: t, dir: t.TempDir(), version: 7}
	must(t, 0, stranger.dir, "keys", "new", "--policy", "harbour", "--no-passphrase")
	must(t, 0, stranger.dir, "sign", "--key", "harbour.key", stranger.draft(other))

	for what, c := range map[string]struct {
		file      string
		code      string
		condition agent.Condition
		words     string
	}{
		"an older one":           {second, policy.CodeRollback, agent.Refused, "this host has seen version 3"},
		"another of that number": {equal, policy.CodeEquivocation, agent.Refused, "another policy of the same number"},
		"a changed payload":      {tampered(t, fourth), policy.CodeBadSignature, agent.Refused, "changed after it was signed"},
		"somebody else's":        {read(t, stranger.path("harbour.policy")), policy.CodeThreshold, agent.Refused, ""},
		"a newer schema": {string(o.resigned(func(p string) string {
			return strings.Replace(strings.Replace(p, `"schema":1`, `"schema":2`, 1), `"version":3`, `"version":4`, 1)
		})), policy.CodeTooNew, agent.TooNew, "upgrade anchorhold"},
		"an unknown member": {string(o.resigned(func(p string) string {
			return strings.Replace(strings.Replace(p, `"label":`, evil+`,"label":`, 1), `"version":3`, `"version":4`, 1)
		})), policy.CodeDuplicateMember, agent.Refused, ""},
		"a web page":  {"<!DOCTYPE html><html>sign in</html>", policy.CodeWebPage, agent.Refused, ""},
		"nothing":     {"", policy.CodeEmpty, agent.Refused, ""},
		"half a file": {fourth[:len(fourth)/2], policy.CodeNotJSON, agent.Refused, ""},
		"too much":    {fourth + strings.Repeat(" ", policy.MaxFile), policy.CodeTooLarge, agent.Refused, ""},
	} {
		write(t, inForce, third, 0o644)
		result(t, 0, "enforce")
		before := tree(t)
		write(t, inForce, c.file, 0o644)
		for range 2 {
			r := result(t, exitWrong, "enforce")
			if r.Policy == nil || r.Policy.Version != 3 || r.Code != c.code || len(r.Conditions) != 1 || r.Conditions[0] != c.condition {
				t.Errorf("%s: %+v in force, conditions %q, code %q: %s", what, r.Policy, r.Conditions, r.Code, r.Error)
			}
			r.placement(t, e.sha).expect(t, "placed", true, agent.Us)
		}
		says(t, must(t, exitWrong, "/", "verify").out, c.words)
		before.same(t, tree(t), inForce, "/var/lib/anchorhold/status.json")
		if by := anchorhold(t, "/", "enforce", "--policy", inForce); by.code == 0 {
			t.Errorf("%s: taken by hand\n%s", what, by.all())
		}
		before.same(t, tree(t), inForce, "/var/lib/anchorhold/status.json")
	}
	write(t, inForce, fourth, 0o644)
	result(t, 0, "enforce").placement(t, other.sha).expect(t, "placed", true, agent.Us)

	// A new one that has ended already: nothing of it begins.
	write(t, inForce, string(o.unvetted(past)), 0o644)
	stood := tree(t)
	r := result(t, exitWrong, "enforce")
	if len(r.Changes) > 0 || r.Policy.Version != 4 || r.Code != policy.CodeExpired {
		t.Errorf("a policy that has ended: changes %+v, version %d, code %q", r.Changes, r.Policy.Version, r.Code)
	}
	stood.same(t, tree(t), "/var/lib/anchorhold", inForce)
	if err := os.Remove(inForce); err != nil {
		t.Fatal(err)
	}
	r = result(t, exitWrong, "verify")
	if len(r.Conditions) == 0 || r.Conditions[0] != agent.Unreachable {
		t.Errorf("without a source: %q", r.Conditions)
	}
}

// tampered puts another letter into the signed payload.
func tampered(t *testing.T, file string) string {
	t.Helper()
	at := strings.Index(file, `"payload":"`) + 60
	letter := byte('A')
	if file[at] == letter {
		letter = 'B'
	}
	return file[:at] + string(letter) + file[at+1:]
}
