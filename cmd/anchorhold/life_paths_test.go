package main

import (
	"bytes"
	"crypto/ed25519"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"io"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/policy"
)

// forger signs whatever it likes with a plain Ed25519 key.
type forger struct {
	t   *testing.T
	key ed25519.PrivateKey
	id  string
}

func (s *station) forger(name string) forger {
	s.t.Helper()
	b, _ := pem.Decode([]byte(read(s.t, s.path(name+".key"))))
	k, err := x509.ParsePKCS8PrivateKey(b.Bytes)
	if err != nil {
		s.t.Fatal(err)
	}
	public, err := policy.ParseKey([]byte(read(s.t, s.path(name+".pub"))))
	if err != nil {
		s.t.Fatal(err)
	}
	return forger{s.t, k.(ed25519.PrivateKey), public.ID()}
}

func b64(b []byte) string { return base64.RawURLEncoding.EncodeToString(b) }

type entryJSON struct {
	Protected string `json:"protected"`
	Signature string `json:"signature"`
}

type jwsJSON struct {
	Payload    string      `json:"payload"`
	Signatures []entryJSON `json:"signatures"`
}

type fileJSON struct {
	Keysets []json.RawMessage `json:"keysets"`
	Policy  jwsJSON           `json:"policy"`
}

// entry signs a payload under a kid and typ of its choice.
func (f forger) entry(payload, kid, typ string) entryJSON {
	head := b64([]byte(`{"alg":"EdDSA","kid":"` + kid + `","typ":"` + typ + `"}`))
	return entryJSON{head, b64(ed25519.Sign(f.key, []byte(head+"."+payload)))}
}

func (s *station) opened(file string) fileJSON {
	s.t.Helper()
	var f fileJSON
	if err := json.Unmarshal([]byte(read(s.t, file)), &f); err != nil {
		s.t.Fatal(err)
	}
	return f
}

func (f fileJSON) bytes(t *testing.T) []byte {
	t.Helper()
	data, err := json.Marshal(f)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// signedBy is the file with another payload, under new signatures.
func (f fileJSON) signedBy(payload []byte, typ string, all ...forger) fileJSON {
	f.Policy = jwsJSON{Payload: b64(payload), Signatures: []entryJSON{}}
	for _, one := range all {
		f.Policy.Signatures = append(f.Policy.Signatures, one.entry(f.Policy.Payload, one.id, typ))
	}
	return f
}

// endless is an input without an end.
type endless struct{}

func (endless) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = ' '
	}
	return len(p), nil
}

// offeredBy lets the host see bytes by one way, and returns the refusal's code.
func (s *station) offeredBy(way string, data []byte) (code string, exit int) {
	s.t.Helper()
	file := s.path("offered")
	line := []string{"enforce", "--json"}
	var in io.Reader = strings.NewReader("")
	switch way {
	case "source":
		write(s.t, inForce, string(data), 0o644)
	case "by hand":
		write(s.t, file, string(data), 0o644)
		line = append(line, "--policy", file)
	case "standard input":
		in, line = bytes.NewReader(data), append(line, "--policy", "-")
	}
	return s.refusal(in, line...)
}

func (s *station) refusal(in io.Reader, line ...string) (string, int) {
	s.t.Helper()
	var out, log bytes.Buffer
	exit := newApp(stdio{in: in, out: &out, err: &log}, func() time.Time { return s.now }).run(s.t.Context(), line)
	var told struct {
		Code string `json:"error_code"`
	}
	if err := json.Unmarshal(out.Bytes(), &told); err != nil {
		s.t.Fatalf("%v: %v\n%s%s", line, err, &out, &log)
	}
	return told.Code, exit
}

// TestEveryWayRefusesTheSame offers what an attacker may offer, by the watched
// file, by hand and by standard input. None changes a byte; then a good one is
// taken by each way.
func TestEveryWayRefusesTheSame(t *testing.T) {
	if !onMachine(t) {
		return
	}
	s := newStation(t, "quay", "tower", "thief")
	s.office(0, "keyset new --policy harbour --threshold 2 quay.pub tower.pub")
	s.adopt("")
	four, five := s.sign(4, "quay tower", "Quay=trusted", "Tower=trusted"), s.sign(5, "quay tower", "Quay=trusted")
	s.offer(five)
	s.run(0, "enforce")

	quay, tower, thief := s.forger("quay"), s.forger("tower"), s.forger("thief")
	f := s.opened(five)
	payload, err := base64.RawURLEncoding.DecodeString(f.Policy.Payload)
	if err != nil {
		t.Fatal(err)
	}
	swap := func(old, new string) []byte {
		t.Helper()
		changed := strings.Replace(string(payload), old, new, 1)
		if changed == string(payload) {
			t.Fatalf("%s changes nothing", old)
		}
		return []byte(changed)
	}
	six := swap(`"version":5`, `"version":6`)
	typ, both := policy.TypPolicy, []forger{quay, tower}
	twice := f.signedBy(six, typ, quay)
	twice.Policy.Signatures = append(twice.Policy.Signatures, twice.Policy.Signatures[0])
	twoNames := f.signedBy(six, typ, quay)
	twoNames.Policy.Signatures = append(twoNames.Policy.Signatures, quay.entry(twoNames.Policy.Payload, tower.id, typ))
	ownName := f.signedBy(six, typ, quay)
	ownName.Policy.Signatures = append(ownName.Policy.Signatures, quay.entry(ownName.Policy.Payload, thief.id, typ))
	mixed := s.opened(four)
	mixed.Policy.Signatures = f.Policy.Signatures
	statement := f
	none := []byte(`{"schema":1,"policy":"harbour","generation":0,"serial":2,"issued":"2026-11-25T10:00:00Z","threshold":0,"keys":[` + strings.TrimSpace(read(t, s.path("thief.pub"))) + `]}`)
	k, err := json.Marshal(f.signedBy(none, policy.TypKeyset, both...).Policy)
	if err != nil {
		t.Fatal(err)
	}
	statement.Keysets = append(slices.Clone(f.Keysets), k)
	whole := []byte(read(t, five))

	cases := []struct {
		name, code string
		data       []byte
	}{
		{"signed by strangers", policy.CodeThreshold, f.signedBy(six, typ, thief).bytes(t)},
		{"signed by one and a stranger", policy.CodeThreshold, f.signedBy(six, typ, quay, thief).bytes(t)},
		{"signed by one", policy.CodeThreshold, f.signedBy(six, typ, quay).bytes(t)},
		{"signed by nobody", policy.CodeNoSignatures, f.signedBy(six, typ).bytes(t)},
		{"one signature twice", policy.CodeDuplicateKeyID, twice.bytes(t)},
		{"one key under two names", policy.CodeBadSignature, twoNames.bytes(t)},
		{"one key under a stranger's name", policy.CodeThreshold, ownName.bytes(t)},
		{"a report of the same keys", policy.CodeWrongTyp, f.signedBy(six, "anchorhold-report+jws", both...).bytes(t)},
		{"a keyset statement as policy", policy.CodeWrongTyp, f.signedBy(six, policy.TypKeyset, both...).bytes(t)},
		{"another policy of the same keys", policy.CodeWrongPolicy, f.signedBy(swap(`"name":"harbour"`, `"name":"staging"`), typ, both...).bytes(t)},
		{"another epoch", policy.CodeWrongEpoch, f.signedBy(swap(`"epoch":1`, `"epoch":2`), typ, both...).bytes(t)},
		{"the payload of one, the signatures of another", policy.CodeBadSignature, mixed.bytes(t)},
		{"a certificate swapped", policy.CodeDocument, f.signedBy(swap(s.print("Quay"), s.print("Tower")), typ, both...).bytes(t)},
		{"an include", policy.CodeUnknownMember, f.signedBy(swap(`"name":`, `"include":"more","name":`), typ, both...).bytes(t)},
		{"a version beyond", policy.CodeOutOfRange, f.signedBy(swap(`"version":5`, `"version":9007199254740992`), typ, both...).bytes(t)},
		{"a version in words", policy.CodeWrongType, f.signedBy(swap(`"version":5`, `"version":"6"`), typ, both...).bytes(t)},
		{"a schema to come", policy.CodeTooNew, f.signedBy(swap(`"schema":1`, `"schema":2`), typ, both...).bytes(t)},
		{"two of one number", policy.CodeEquivocation, f.signedBy(swap(`"label":"Quay"`, `"label":"Kai"`), typ, both...).bytes(t)},
		{"an old one", policy.CodeRollback, []byte(read(t, four))},
		{"a keyset with threshold 0", policy.CodeBadThreshold, statement.bytes(t)},
		{"half of it", policy.CodeNotJSON, whole[:len(whole)/2]},
		{"nothing", policy.CodeEmpty, nil},
		{"a sign-in page", policy.CodeWebPage, []byte("<!doctype html><title>sign in</title>")},
		{"one byte too many", policy.CodeTooLarge, append(slices.Clone(whole), bytes.Repeat([]byte(" "), policy.MaxFile+1-len(whole))...)},
	}
	before := tree(t)
	for _, way := range []string{"source", "by hand", "standard input"} {
		for _, c := range cases {
			if code, exit := s.offeredBy(way, c.data); code != c.code || exit != 1 {
				t.Errorf("%s, %s: code %q, exit %d, want %q, 1", way, c.name, code, exit, c.code)
			}
		}
	}
	if code, exit := s.refusal(endless{}, "enforce", "--json", "--policy", "-"); code != policy.CodeTooLarge || exit != 1 {
		t.Errorf("without an end: %q, %d", code, exit)
	}
	if code, exit := s.refusal(nil, "enforce", "--json", "--policy", "/dev/zero"); code != policy.CodeTooLarge || exit != 1 {
		t.Errorf("a device without an end: %q, %d", code, exit)
	}
	if err := os.Truncate(inForce, 1<<40); err != nil {
		t.Fatal(err)
	}
	if r := s.told(1, "enforce"); r.Code != policy.CodeTooLarge || r.Policy.Version != 5 {
		t.Errorf("a terabyte: %q", r.Code)
	}
	s.offer(five) // the test reads every file that it compares
	before.same(t, tree(t), inForce, stateFile(statusFile), "/etc/anchorhold")

	for i, way := range []string{"source", "by hand", "standard input"} {
		next := uint64(6 + i)
		good := []byte(read(t, s.sign(next, "quay tower", "Quay=trusted")))
		if code, exit := s.offeredBy(way, good); code != "" || exit != 0 {
			t.Errorf("%s: a good one: %q, %d", way, code, exit)
		}
		if r := s.told(exitOf(way), "verify"); r.Policy.Version != next {
			t.Errorf("%s: version %d in force, want %d", way, r.Policy.Version, next)
		}
	}

	// Frozen: the same file for ever. It goes stale, loudly; what was due is
	// mended, and what comes later is taken.
	s.offer(s.path("8-quay-tower.policy"))
	s.now = s.now.AddDate(0, 0, 91)
	remove(t, globs(t, sourceDir+"/anchorhold-"+s.print("Quay")[:32]+".crt")[0])
	tool(t, platform)
	if r := s.told(1, "enforce"); !has(r, agent.Stale) || !r.placement(t, s.print("Quay")).Right {
		t.Errorf("%v %+v", r.Conditions, r.Placements)
	}
	s.offer(s.sign(9, "quay tower", "Quay=trusted"))
	s.run(0, "enforce")
}

// exitOf is how 'verify' ends after a policy came by a way: the watched file is
// behind what was imported by hand.
func exitOf(way string) int {
	if way == "source" {
		return 0
	}
	return 1
}
