package policy

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"
)

// A stored floor that cannot be read is an error and leaves what was there.
func TestFloorJSON(t *testing.T) {
	h := newHarbour(t)
	_, floor, err := Open(h.file(t, 7, "2026-01-02", "2026-03-01"), h.pin, Floor{}, at("2026-01-03"))
	if err != nil {
		t.Fatal(err)
	}
	good, err := json.Marshal(floor)
	if err != nil {
		t.Fatal(err)
	}
	text := string(good)
	for name, bad := range map[string]string{
		"empty":           "",
		"empty object":    "{}",
		"null":            "null",
		"cut":             text[:len(text)-1],
		"newer":           strings.Replace(text, `"schema":1`, `"schema":2`, 1),
		"no version":      strings.Replace(text, `"version":7`, `"version":0`, 1),
		"no epoch":        strings.Replace(text, `"epoch":1`, `"epoch":0`, 1),
		"another epoch":   strings.Replace(text, `"epoch":1`, `"epoch":2`, 1),
		"member missing":  strings.Replace(text, `"version":7,`, ``, 1),
		"member unknown":  strings.Replace(text, `"version":7,`, `"version":7,"more":1,`, 1),
		"member twice":    strings.Replace(text, `"version":7,`, `"version":7,"version":8,`, 1),
		"threshold":       strings.Replace(text, `"threshold":2`, `"threshold":0`, 1),
		"no payload hash": strings.Replace(text, Digest(floor.Mark.Payload).String(), Digest{}.String(), 1),
		"zeros":           strings.Repeat("\x00", 512),
		"large":           text + strings.Repeat(" ", maxState),
	} {
		if bad == text {
			t.Fatalf("%s changes nothing", name)
		}
		got := floor
		err := got.UnmarshalJSON([]byte(bad))
		if CodeOf(err) != CodeBadState {
			t.Errorf("%s: %v", name, err)
		}
		if !equalFloor(t, got, floor) {
			t.Errorf("%s: the floor changed", name)
		}
		// encoding/json takes white space round a value off before it asks.
		if name != "large" && json.Unmarshal([]byte(bad), &Floor{}) == nil {
			t.Errorf("%s: taken by encoding/json", name)
		}
	}
	if _, err := json.Marshal(Floor{}); CodeOf(err) != CodeBadState {
		t.Errorf("the zero floor was written: %v", err)
	}
	var m Mark
	data, err := json.Marshal(floor.Mark)
	if err != nil || json.Unmarshal(data, &m) != nil || m != floor.Mark {
		t.Errorf("mark %s, %v", data, err)
	}
	if m.UnmarshalJSON([]byte(`{"epoch":1,"version":1}`)) == nil || m != floor.Mark {
		t.Error("a mark without its payload was taken")
	}
}

func TestKeysetJSON(t *testing.T) {
	f := newFleet(t)
	k := f.first()
	good, err := json.Marshal(k)
	if err != nil {
		t.Fatal(err)
	}
	var back Keyset
	if err := json.Unmarshal(good, &back); err != nil || !back.Same(k) || !back.Issued.Equal(k.Issued) || back.Epoch() != 1 {
		t.Errorf("%v: %s", err, good)
	}
	key, err := json.Marshal(k.Keys[0])
	if err != nil {
		t.Fatal(err)
	}
	for change, code := range map[string]string{
		`"threshold":0`: CodeBadThreshold, `"threshold":-1`: CodeBadThreshold, `"threshold":4`: CodeBadThreshold,
		`"threshold":null`: CodeNullMember, `"threshold":"2"`: CodeWrongType, `"threshold":2.0`: CodeNotInteger,
		`"threshold":2,"threshold":1`: CodeDuplicateMember, `"Threshold":2`: CodeCaseVariant,
		`"threshold":2,"treshold":1`: CodeUnknownMember,
	} {
		if _, err := back, back.UnmarshalJSON([]byte(strings.Replace(string(good), `"threshold":2`, change, 1))); CodeOf(err) != code {
			t.Errorf("%s: %v, want %s", change, err, code)
		}
	}
	for name, c := range map[string]struct{ old, new, code string }{
		"no threshold":   {`"threshold":2,`, ``, CodeMissingMember},
		"newer":          {`"schema":1`, `"schema":2,"news":true`, CodeTooNew},
		"schema 0":       {`"schema":1`, `"schema":0`, CodeBadSchema},
		"serial 0":       {`"serial":1`, `"serial":0`, CodeBadKeyset},
		"serial 2^32":    {`"serial":1`, `"serial":4294967296`, CodeOutOfRange},
		"generation":     {`"generation":0`, `"generation":1048577`, CodeBadKeyset},
		"policy":         {`"policy":"harbour"`, `"policy":"Harbour"`, CodeBadKeyset},
		"key twice":      {`"keys":[`, `"keys":[` + string(key) + `,`, CodeRepeatedKey},
		"short key":      {`"x":"`, `"x":"AA`, CodeBadKey},
		"null key":       {`"keys":[`, `"keys":[null,`, CodeNullMember},
		"issued in zone": {`2026-02-01T00:00:00Z`, `2026-02-01T00:00:00+01:00`, CodeBadTime},
	} {
		text := strings.Replace(string(good), c.old, c.new, 1)
		if text == string(good) {
			t.Fatalf("%s changes nothing", name)
		}
		if err := back.UnmarshalJSON([]byte(text)); CodeOf(err) != c.code {
			t.Errorf("%s: %v, want %s", name, err, c.code)
		}
	}
	// Order of keys is no part of a keyset; everything else is.
	turned := k
	turned.Keys = slices.Clone(k.Keys)
	slices.Reverse(turned.Keys)
	if f.hash(turned) != f.hash(k) {
		t.Error("the order of keys changes the hash")
	}
	turned.Threshold = 1
	if f.hash(turned) == f.hash(k) || turned.Same(k) {
		t.Error("the threshold does not change the hash")
	}
	if e := (Keyset{Generation: MaxGeneration, Serial: 1<<32 - 1}).Epoch(); e >= 1<<53 {
		t.Errorf("the largest epoch is %d", e)
	}
}

func TestPinTOML(t *testing.T) {
	f := newFleet(t)
	pin := Pin{Keyset: f.first(), MinVersion: 9}
	text, err := toml.Marshal(pin.TOML())
	if err != nil {
		t.Fatal(err)
	}
	var back PinTOML
	if err := toml.Unmarshal(text, &back); err != nil {
		t.Fatal(err)
	}
	got, err := back.Pin()
	if err != nil || !got.Keyset.Same(pin.Keyset) || got.MinVersion != 9 || !got.Keyset.Issued.IsZero() {
		t.Errorf("%v: %s", err, text)
	}
	for name, c := range map[string]struct {
		how  func(*PinTOML)
		code string
	}{
		"no keys":     {func(p *PinTOML) { p.Keys = nil }, CodeBadKeyset},
		"nothing":     {func(p *PinTOML) { *p = PinTOML{} }, CodeNoPin},
		"threshold":   {func(p *PinTOML) { p.Threshold = 0 }, CodeBadThreshold},
		"key":         {func(p *PinTOML) { p.Keys[1].X = "AA" }, CodeBadKey},
		"contingency": {func(p *PinTOML) { p.Contingency = "AA" }, CodeBadKeyset},
		"version":     {func(p *PinTOML) { p.MinVersion = 1 << 53 }, CodeOutOfRange},
		"serial":      {func(p *PinTOML) { p.Serial = 0 }, CodeBadKeyset},
	} {
		p := pin.TOML()
		c.how(&p)
		if _, err := p.Pin(); CodeOf(err) != c.code {
			t.Errorf("%s: %v, want %s", name, err, c.code)
		}
	}
}
