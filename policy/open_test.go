package policy

import (
	"bytes"
	"encoding/json"
	"slices"
	"testing"
	"time"
)

// harbour is a keyset of 2 of 3 with its chain and pin.
type harbour struct {
	a, b, c Signer
	chain   Chain
	pin     Pin
}

func newHarbour(t testing.TB) harbour {
	h := harbour{a: testSigner(t, Ed25519, 1), b: testSigner(t, P256, 2), c: testSigner(t, Ed25519, 3)}
	h.chain = mustChain(t, firstKeyset(2, h.a, h.b, h.c))
	h.pin = Pin{Keyset: h.chain.First()}
	return h
}

func (h harbour) file(t testing.TB, version uint64, issued, expires string, roots ...Root) []byte {
	return mustSign(t, document(h.chain.Current(), version, at(issued), at(expires), roots...), h.chain, h.a, h.b)
}

// One host through an expired policy, a wrong clock and a restart. Each line:
// what is offered, at what clock, and what must come of it.
func TestOpenStory(t *testing.T) {
	h := newHarbour(t)
	r1, r2, r3 := anyRoot(1, Trusted), anyRoot(2, Trusted), anyRoot(3, Trusted)
	held := h.file(t, 7, "2026-05-01", "2026-06-01", r1, r2)
	older := h.file(t, 6, "2026-04-01", "2027-01-01", r1, r2, r3)
	other := h.file(t, 7, "2026-05-01", "2027-01-01", r3)
	next := h.file(t, 8, "2026-06-10", "2027-07-01", r1, r3)

	var floor Floor
	for i, line := range []struct {
		clock   string
		offered []byte
		code    string
		version uint64
		stale   bool
		behind  bool
		asOf    string
	}{
		{"2026-05-02", held, "", 7, false, false, "2026-05-02"},
		{"2026-07-01", held, "", 7, true, false, "2026-06-01"},
		{"2026-07-01", older, CodeRollback, 0, false, false, ""},
		{"2026-07-01", other, CodeEquivocation, 0, false, false, ""},
		{"1970-01-01T00:00:20Z", held, "", 7, false, true, "2026-05-01"},
		{"1970-01-01T00:00:20Z", older, CodeRollback, 0, false, false, ""},
		{"2026-07-01", next, "", 8, false, false, "2026-07-01"},
		{"2026-07-01", held, CodeRollback, 0, false, false, ""},
		{"2026-07-01", next, "", 8, false, false, "2026-07-01"},
		{"2099-01-01", next, "", 8, true, false, "2027-07-01"},
		{"1970-01-01T00:00:20Z", next, "", 8, false, true, "2026-06-10"},
	} {
		v, got, err := Open(line.offered, h.pin, floor, at(line.clock))
		if CodeOf(err) != line.code {
			t.Fatalf("line %d: %v, want code %q", i, err, line.code)
		}
		if err != nil {
			if !v.IsZero() || !equalFloor(t, got, floor) {
				t.Errorf("line %d: refused, but a policy or another floor came back", i)
			}
			continue
		}
		if v.Mark().Version != line.version || v.Stale() != line.stale || v.ClockBehind() != line.behind || !v.AsOf().Equal(at(line.asOf)) {
			t.Errorf("line %d: version %d stale %v behind %v as of %v", i, v.Mark().Version, v.Stale(), v.ClockBehind(), v.AsOf())
		}
		floor = restart(t, got)
	}
}

// restart stores the floor and reads it again, as every run does.
func restart(t testing.TB, f Floor) Floor {
	t.Helper()
	data, err := json.Marshal(f)
	if err != nil {
		t.Fatal(err)
	}
	var back Floor
	if err := json.Unmarshal(data, &back); err != nil {
		t.Fatal(err)
	}
	if !equalFloor(t, f, back) {
		t.Fatalf("the floor changed on the way: %s", data)
	}
	return back
}

func equalFloor(t testing.TB, a, b Floor) bool {
	t.Helper()
	if a.IsZero() || b.IsZero() {
		return a.IsZero() == b.IsZero()
	}
	return a.Mark == b.Mark && a.Newest.Equal(b.Newest) && a.Keyset.Same(b.Keyset)
}

func TestOpenAcceptsOnlyThePinnedKeys(t *testing.T) {
	h := newHarbour(t)
	doc := document(h.chain.Current(), 1, at("2026-01-02"), at("2026-03-01"))
	thief, now := testSigner(t, Ed25519, 9), at("2026-01-03")
	good := mustSign(t, doc, h.chain, h.a, h.c)
	fleet := firstKeyset(1, h.a)
	fleet.Policy = "staging"
	staging := mustSign(t, document(fleet, 1, at("2026-01-02"), at("2026-03-01")), mustChain(t, fleet), h.a)
	shifted := firstKeyset(2, h.a, h.b, h.c)
	shifted.Serial = 4

	for name, c := range map[string]struct {
		file []byte
		pin  Pin
		code string
	}{
		"good":                 {good, h.pin, ""},
		"no pin":               {good, Pin{}, CodeNoPin},
		"one key":              {mustSign(t, doc, h.chain, h.a), h.pin, CodeThreshold},
		"no key":               {mustSign(t, doc, h.chain), h.pin, CodeNoSignatures},
		"other keys":           {good, Pin{Keyset: firstKeyset(1, thief)}, CodeThreshold},
		"policy of others":     {staging, Pin{Keyset: firstKeyset(1, h.a)}, CodeWrongPolicy},
		"epoch of others":      {good, Pin{Keyset: shifted}, CodeWrongEpoch},
		"minimum version":      {good, Pin{Keyset: h.pin.Keyset, MinVersion: 2}, CodeBelowMinimum},
		"minimum met":          {good, Pin{Keyset: h.pin.Keyset, MinVersion: 1}, ""},
		"unknown file member":  {bytes.Replace(good, []byte(`{"keysets"`), []byte(`{"include":"more","keysets"`), 1), h.pin, CodeUnknownMember},
		"too large":            {append(slices.Clone(good), bytes.Repeat([]byte(" "), MaxFile)...), h.pin, CodeTooLarge},
		"white space is free":  {append(slices.Clone(good), "\n\n  "...), h.pin, ""},
		"empty":                {nil, h.pin, CodeEmpty},
		"page of a proxy":      {[]byte("<!doctype html><p>sign in"), h.pin, CodeWebPage},
		"bare keyset envelope": {[]byte(`{"payload":"","signatures":[]}`), h.pin, CodeUnknownMember},
	} {
		v, floor, err := Open(c.file, c.pin, Floor{}, now)
		if CodeOf(err) != c.code {
			t.Errorf("%s: %v, want code %q", name, err, c.code)
		}
		if (err != nil) != (v.IsZero() && floor.IsZero()) {
			t.Errorf("%s: error, policy and floor do not fit together", name)
		}
	}
}

// A document that is signed well and says something else than this schema
// allows is refused whole.
func TestOpenPayload(t *testing.T) {
	h := newHarbour(t)
	text, err := document(h.chain.Current(), 7, at("2026-01-02"), at("2026-03-01")).Canonical()
	if err != nil {
		t.Fatal(err)
	}
	replace := func(old, new string) []byte {
		out := bytes.Replace(text, []byte(old), []byte(new), 1)
		if bytes.Equal(out, text) && old != new {
			t.Fatalf("%s is not in %s", old, text)
		}
		return out
	}
	for name, c := range map[string]struct {
		payload []byte
		code    string
	}{
		"good":                   {text, ""},
		"version 2^53-1":         {replace(`"version":7`, `"version":9007199254740991`), ""},
		"version 2^53":           {replace(`"version":7`, `"version":9007199254740992`), CodeOutOfRange},
		"version 1e3":            {replace(`"version":7`, `"version":1e3`), CodeNotInteger},
		"version 1.0":            {replace(`"version":7`, `"version":1.0`), CodeNotInteger},
		"version -1":             {replace(`"version":7`, `"version":-1`), CodeOutOfRange},
		"version 007":            {replace(`"version":7`, `"version":007`), CodeNotJSON},
		"version in quotes":      {replace(`"version":7`, `"version":"7"`), CodeWrongType},
		"version null":           {replace(`"version":7`, `"version":null`), CodeNullMember},
		"version 0":              {replace(`"version":7`, `"version":0`), CodeDocument},
		"no version":             {replace(`"version":7,`, ``), CodeMissingMember},
		"two versions":           {replace(`"version":7`, `"version":7,"version":8`), CodeDuplicateMember},
		"escaped second version": {replace(`"version":7`, `"version":7,"versio\u006e":8`), CodeDuplicateMember},
		"VERSION":                {replace(`"version":7`, `"version":7,"VERSION":8`), CodeCaseVariant},
		"Version alone":          {replace(`"version":7`, `"Version":7`), CodeCaseVariant},
		"include":                {replace(`"version":7`, `"version":7,"include":"https://rules.harbour.test/"`), CodeUnknownMember},
		"newer schema":           {replace(`"schema":1`, `"schema":2`), CodeTooNew},
		"newer, with news":       {replace(`"schema":1`, `"news":[1.5,null],"schema":2`), CodeTooNew},
		"schema 0":               {replace(`"schema":1`, `"schema":0`), CodeBadSchema},
		"no schema":              {replace(`"schema":1,`, ``), CodeMissingMember},
		"no expiry":              {replace(`"expires":"2026-03-01T00:00:00Z",`, ``), CodeMissingMember},
		"expiry with zone":       {replace(`2026-03-01T00:00:00Z`, `2026-03-01T00:00:00+01:00`), CodeBadTime},
		"expiry with fraction":   {replace(`2026-03-01T00:00:00Z`, `2026-03-01T00:00:00.5Z`), CodeBadTime},
		"expiry too far":         {replace(`2026-03-01T00:00:00Z`, `2027-03-01T00:00:00Z`), CodeDocument},
		"trailing":               {append(slices.Clone(text), '{', '}'), CodeTrailingData},
		"not UTF-8":              {replace(`"harbour"`, "\"harb\xffour\""), CodeBadUTF8},
	} {
		e := newEnvelope(c.payload)
		for _, s := range []Signer{h.a, h.b} {
			if e, err = e.add(s, TypPolicy, h.pin.Keyset.Keys); err != nil {
				t.Fatal(err)
			}
		}
		data, err := file{Keysets: []envelope{}, Policy: e}.bytes()
		if err != nil {
			t.Fatal(err)
		}
		if _, _, err := Open(data, h.pin, Floor{}, at("2026-01-03")); CodeOf(err) != c.code {
			t.Errorf("%s: %v, want code %q", name, err, c.code)
		}
	}
}

// A new policy counts as expired from the moment after its end, by the clock
// or by what the signers wrote, whichever is later.
func TestOpenExpiry(t *testing.T) {
	h := newHarbour(t)
	file := h.file(t, 1, "2026-01-02", "2026-03-01")
	for clock, code := range map[string]string{
		"2026-01-01": "", "1970-01-01": "", "2026-03-01": "", "2026-03-01T00:00:01Z": CodeExpired, "2099-01-01": CodeExpired,
	} {
		v, _, err := Open(file, h.pin, Floor{}, at(clock))
		if CodeOf(err) != code {
			t.Errorf("clock %s: %v, want %q", clock, err, code)
		}
		if err == nil && v.ClockBehind() != at(clock).Before(at("2026-01-02")) {
			t.Errorf("clock %s: behind %v", clock, v.ClockBehind())
		}
	}
	// The signers wrote a later time in version 1: version 2, which expires
	// before it, is expired although the clock says otherwise.
	_, floor, err := Open(h.file(t, 1, "2026-06-01", "2026-09-01"), h.pin, Floor{}, at("2026-06-02"))
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := Open(h.file(t, 2, "2026-04-01", "2026-05-01"), h.pin, floor, at("2026-04-02")); CodeOf(err) != CodeExpired {
		t.Errorf("%v, want %s", err, CodeExpired)
	}
}

func TestVerifiedIsItsOwnCopy(t *testing.T) {
	h := newHarbour(t)
	start := at("2026-01-02")
	d := document(h.chain.Current(), 1, at("2026-01-02"), at("2026-03-01"), anyRoot(1, Trusted))
	d.Stages = []Stage{{Name: "pilot", Labels: map[string]string{"site": "north"}, Percent: 10, Start: &start}}
	v, _, err := Open(mustSign(t, d, h.chain, h.a, h.b), h.pin, Floor{}, at("2026-01-03"))
	if err != nil {
		t.Fatal(err)
	}
	mine := v.Document()
	mine.Roots[0].DER[0]++
	mine.Roots[0].Standings[0].Standing = Distrusted
	mine.Stages[0].Labels["site"] = "south"
	*mine.Stages[0].Start = time.Time{}
	v.Signers()[0] = ""
	again := v.Document()
	if again.Check() != nil || again.Roots[0].Standings[0].Standing != Trusted || again.Stages[0].Labels["site"] != "north" || !again.Stages[0].Start.Equal(start) || v.Signers()[0] == "" {
		t.Error("a caller changed what was verified")
	}
	var zero Verified
	if !zero.IsZero() || len(zero.Document().Roots) != 0 || !zero.Mark().IsZero() || zero.Signers() != nil || zero.Stale() || !zero.AsOf().IsZero() {
		t.Error("the zero policy is not empty")
	}
}
