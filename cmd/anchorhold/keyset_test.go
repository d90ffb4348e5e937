package main

import (
	"bytes"
	"encoding/json"
	"io"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust/trusttest"
)

// desk is where somebody signs: a folder in which commands run in this process,
// at a time that the test sets.
type desk struct {
	t   *testing.T
	now time.Time
}

func newDesk(t *testing.T) *desk {
	t.Helper()
	t.Chdir(t.TempDir())
	return &desk{t: t, now: time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)}
}

// run runs a command with --json and returns what it told. Arguments with
// blanks go into quoted.
func (d *desk) run(code int, line string, quoted ...string) map[string]any {
	d.t.Helper()
	var out, said bytes.Buffer
	a := newApp(stdio{in: strings.NewReader(""), out: &out, err: &said}, func() time.Time { return d.now })
	got := a.run(d.t.Context(), append(append([]string{"--json"}, strings.Fields(line)...), quoted...))
	var told map[string]any
	if err := json.Unmarshal(out.Bytes(), &told); err != nil {
		d.t.Fatalf("%s: %v in %q\n%s", line, err, out.String(), said.String())
	}
	if got != code || told["exit"] != float64(code) {
		d.t.Fatalf("%s: exit %d, want %d: %v\n%s", line, got, code, told, said.String())
	}
	return told
}

// keys makes plain keys of these names.
func (d *desk) keys(names ...string) {
	d.t.Helper()
	for _, n := range names {
		d.run(0, "keys new --no-passphrase --name "+n)
	}
}

// lacks compares how many signatures each side of a statement waits for.
func (d *desk) lacks(told map[string]any, want map[string]int) {
	d.t.Helper()
	got, _ := told["missing"].(map[string]any)
	for side, n := range want {
		if got[side] != float64(n) {
			d.t.Errorf("the %s side waits for %v, want %d", side, got[side], n)
		}
	}
	if len(got) != len(want) {
		d.t.Errorf("sides %v, want %v", got, want)
	}
}

// draft writes a draft of this version with one root.
func (d *desk) draft(version string) {
	d.t.Helper()
	if _, err := os.Stat("root.crt"); err != nil {
		if err := os.WriteFile("root.crt", trusttest.NewAuthority(d.t, "Harbour Root 2026").PEM(), 0o644); err != nil {
			d.t.Fatal(err)
		}
		d.run(0, "draft new --name harbour --root root.crt")
	}
	data, err := os.ReadFile("draft.toml")
	if err != nil {
		d.t.Fatal(err)
	}
	lines := strings.Split(string(data), "\n")
	for i, l := range lines {
		if strings.HasPrefix(l, "version = ") {
			lines[i] = "version = " + version
		}
	}
	if err := os.WriteFile("draft.toml", []byte(strings.Join(lines, "\n")), 0o644); err != nil {
		d.t.Fatal(err)
	}
}

// A signer is lost: the others and the new one sign the statement one by one,
// then the policy goes on, and the lost key signs nothing any more.
func TestRotation(t *testing.T) {
	d := newDesk(t)
	d.keys("quay", "tower", "office", "pilot", "thief")
	d.run(0, "keyset new --policy harbour --threshold 2 quay.pub tower.pub office.pub")
	d.draft("1")
	d.run(0, "sign --key quay.key --key office.key")
	const statement = "harbour-0.2.statement"
	d.run(0, "keyset next --drop tower.pub --add pilot.pub")
	d.run(1, "open "+statement)
	d.run(1, "keyset extend "+statement)
	d.run(2, "keyset next --drop tower.pub --add pilot.pub") // one is never written over
	d.lacks(d.run(0, "countersign --key quay.key "+statement), map[string]int{"current": 1, "new": 1})
	d.run(1, "countersign --key thief.key "+statement)
	d.run(1, "countersign --key quay.key "+statement) // signed already
	d.lacks(d.run(0, "countersign --key pilot.key "+statement), map[string]int{"current": 1, "new": 0})
	d.run(1, "keyset extend "+statement)
	d.lacks(d.run(0, "countersign --key office.key "+statement), map[string]int{"current": 0, "new": 0})
	d.run(0, "open "+statement)
	if told := d.run(0, "keyset extend "+statement); told["number"] != "0.2" || told["epoch"] != 2.0 {
		t.Errorf("extended to %v", told)
	}
	if told := d.run(0, "keyset extend "+statement); told["number"] != "0.2" {
		t.Errorf("extended again to %v", told)
	}
	if told := d.run(0, "keyset show harbour.keyset"); told["statements"] != 1.0 || told["number"] != "0.2" {
		t.Errorf("%v", told)
	}

	// The policy is signed anew, with its number as it was.
	d.run(1, "sign --key tower.key --key quay.key")
	d.run(0, "sign --key pilot.key --key quay.key")
	if told := d.run(0, "open harbour.policy"); told["error"] != nil {
		t.Fatal(told)
	}
	starter := d.run(0, "starter")["starter"].(string)
	if !strings.Contains(starter, "serial = 2") || !strings.Contains(starter, "min_version = 1\n") {
		t.Errorf("the starter is not of the current keyset:\n%s", starter)
	}
	d.draft("7")
	d.run(0, "sign --key pilot.key --key office.key")
	if starter := d.run(0, "starter")["starter"].(string); !strings.Contains(starter, "min_version = 7\n") {
		t.Errorf("the starter lets old versions in:\n%s", starter)
	}
	if starter := d.run(0, "starter --min-version 3")["starter"].(string); !strings.Contains(starter, "min_version = 3\n") {
		t.Errorf("the starter does not do as told:\n%s", starter)
	}
}

// Contingency: pinned, changed, used, and beaten by nobody.
func TestContingency(t *testing.T) {
	d := newDesk(t)
	d.keys("safe-a", "safe-b", "other-a", "third-a", "quay", "tower", "quay2", "tower2", "thief")
	for _, dir := range []string{"safe", "safe2", "safe3", "stolen"} {
		if err := os.Mkdir(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	d.run(0, "keyset new --policy harbour --threshold 1 --out safe/harbour.keyset safe-a.pub safe-b.pub")
	d.run(0, "keyset new --policy harbour --threshold 1 --out safe2/harbour.keyset other-a.pub")
	d.run(0, "keyset new --policy harbour --threshold 1 --out safe3/harbour.keyset third-a.pub")
	d.run(0, "keyset new --policy harbour --threshold 1 --contingency safe/harbour.keyset quay.pub tower.pub")
	pinned := d.run(0, "keyset show harbour.keyset")["contingency"]

	// Changing it needs its own keys.
	d.run(1, "keyset next --contingency safe2/harbour.keyset --key quay.key")
	d.run(1, "keyset next --no-contingency --key quay.key")
	d.lacks(d.run(0, "keyset next --by safe/harbour.keyset --contingency safe2/harbour.keyset --key quay.key"),
		map[string]int{"current": 0, "new": 0, "contingency": 1})
	d.run(1, "keyset extend harbour-0.2.statement")
	d.run(0, "countersign --key safe-b.key harbour-0.2.statement")
	if told := d.run(0, "keyset extend harbour-0.2.statement"); told["contingency"] == pinned || told["contingency"] == nil {
		t.Errorf("contingency %v", told["contingency"])
	}

	// A thief with the current keys goes on to a keyset of his own.
	was := read(t, "harbour.keyset")
	d.run(0, "keyset next --drop quay.pub --drop tower.pub --add thief.pub --key quay.key --key thief.key --out stolen/statement")
	write(t, "stolen/harbour.keyset", was, 0o644)
	d.run(0, "keyset extend --keyset stolen/harbour.keyset stolen/statement")

	// The first safe is good for nothing any more; the second replaces all.
	d.run(1, "keyset replace --by safe/harbour.keyset quay2.pub tower2.pub")
	d.run(1, "keyset replace --by safe2/harbour.keyset --contingency safe2/harbour.keyset quay2.pub tower2.pub")
	told := d.run(0, "keyset replace --by safe2/harbour.keyset --contingency safe3/harbour.keyset --threshold 2 --key other-a.key --key quay2.key quay2.pub tower2.pub")
	d.lacks(told, map[string]int{"contingency": 0, "new": 1})
	d.run(0, "countersign --key tower2.key harbour-1.1.statement")
	if told := d.run(0, "keyset extend harbour-1.1.statement"); told["number"] != "1.1" || told["epoch"] != float64(1<<32+1) {
		t.Errorf("%v", told)
	}
	d.draft("1")
	d.run(0, "sign --key quay2.key --key tower2.key")
	d.run(0, "open harbour.policy")
}

// A statement's signature made by openssl.
func TestStatementBySomebodyElsesTool(t *testing.T) {
	openssl := trusttest.Need(t, "openssl")[0]
	d := newDesk(t)
	d.keys("quay", "tower")
	do := func(args ...string) {
		t.Helper()
		if out, err := exec.Command(openssl, args...).CombinedOutput(); err != nil {
			t.Fatalf("openssl %v: %v\n%s", args, err, out)
		}
	}
	do("genpkey", "-algorithm", "ed25519", "-out", "office.key")
	do("pkey", "-in", "office.key", "-pubout", "-out", "office.pub")
	d.run(0, "keyset new --policy harbour --threshold 1 quay.pub office.pub")
	d.run(0, "keyset next --drop quay.pub --add tower.pub --key tower.key")
	d.run(0, "countersign --as office.pub --bytes to-sign.bin harbour-0.2.statement")
	do("pkeyutl", "-sign", "-rawin", "-inkey", "office.key", "-in", "to-sign.bin", "-out", "office.sig")
	d.lacks(d.run(0, "countersign --as office.pub --attach office.sig harbour-0.2.statement"), map[string]int{"current": 0, "new": 0})
	d.run(0, "keyset extend harbour-0.2.statement")
}

// All keys are lost and nothing is in a safe: a keyset that begins anew stands
// above the lost one. And a chain that is nearly full begins anew where it is.
func TestKeysetAnew(t *testing.T) {
	d := newDesk(t)
	d.keys("quay", "tower")
	if err := os.Mkdir("lost", 0o755); err != nil {
		t.Fatal(err)
	}
	d.run(0, "keyset new --policy harbour --threshold 1 --out lost/harbour.keyset quay.pub")
	d.run(0, "keyset next --keyset lost/harbour.keyset --add tower.pub --key quay.key")
	d.run(0, "keyset extend lost/harbour-0.2.statement")
	if told := d.run(0, "keyset new --policy harbour --threshold 1 --after lost/harbour.keyset tower.pub"); told["number"] != "1.1" {
		t.Errorf("%v", told)
	}
	d.run(2, "keyset new --policy pier --threshold 1 --after lost/harbour.keyset --out pier.keyset tower.pub")
	if told := d.run(0, "keyset rebase --keyset lost/harbour.keyset --out lost/rebased"); told["number"] != "0.2" {
		t.Errorf("%v", told)
	}
	if told := d.run(0, "keyset show lost/rebased"); told["statements"] != 0.0 || told["number"] != "0.2" {
		t.Errorf("%v", told)
	}
}

// What people read before they sign.
func TestStatementScreens(t *testing.T) {
	d := newDesk(t)
	d.keys("quay", "tower")
	d.run(0, "keyset new --policy harbour --threshold 1 quay.pub")
	var out bytes.Buffer
	a := newApp(stdio{in: strings.NewReader(""), out: &out, err: io.Discard}, time.Now)
	if code := a.run(t.Context(), strings.Fields("keyset next --add tower.pub --key quay.key")); code != 0 {
		t.Fatal(out.String())
	}
	says(t, out.String(), "keyset 0.2 takes over from 0.1", "may sign from now on", "1 of 2 must sign", "caution", "no contingency keyset", "keyset extend")
}
