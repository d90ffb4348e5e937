package policy

import (
	"bytes"
	"slices"
	"testing"
	"time"
)

func TestSignRefuses(t *testing.T) {
	h := newHarbour(t)
	now := at("2026-01-02")
	with := func(how func(*Document)) Document {
		d := document(h.chain.Current(), 1, now, at("2026-03-01"), anyRoot(1, Trusted))
		how(&d)
		return d
	}
	for name, c := range map[string]struct {
		doc     Document
		signers []Signer
		code    string
	}{
		"good":              {with(func(*Document) {}), []Signer{h.a}, ""},
		"ten minutes early": {with(func(d *Document) { d.Issued = now.Add(10 * time.Minute) }), []Signer{h.a}, ""},
		"too early":         {with(func(d *Document) { d.Issued = now.Add(10*time.Minute + time.Second) }), []Signer{h.a}, CodeIssueTime},
		"too late":          {with(func(d *Document) { d.Issued = now.Add(-10*time.Minute - time.Second) }), []Signer{h.a}, CodeIssueTime},
		"other policy":      {with(func(d *Document) { d.Name = "staging" }), []Signer{h.a}, CodeWrongPolicy},
		"other epoch":       {with(func(d *Document) { d.Epoch = 2 }), []Signer{h.a}, CodeWrongEpoch},
		"wrong document":    {with(func(d *Document) { d.Roots[0].DER[0]++ }), []Signer{h.a}, CodeDocument},
		"expired":           {with(func(d *Document) { d.Issued, d.Expires = now.Add(-2*time.Hour), now.Add(-time.Hour) }), []Signer{h.a}, CodeExpired},
		"no signer of it":   {with(func(*Document) {}), []Signer{testSigner(t, Ed25519, 9)}, CodeNotASigner},
		"same signer twice": {with(func(*Document) {}), []Signer{h.a, h.a}, CodeAlreadySigned},
		"schema is ours":    {with(func(d *Document) { d.Schema = 9 }), []Signer{h.a}, ""},
	} {
		data, err := Sign(c.doc, h.chain, now, c.signers...)
		if CodeOf(err) != c.code {
			t.Errorf("%s: %v, want %q", name, err, c.code)
		}
		if err == nil {
			if d, err := Unverified(data); err != nil || d.Schema != 1 {
				t.Errorf("%s: schema %d, %v", name, d.Schema, err)
			}
		}
	}
	if _, err := Sign(with(func(*Document) {}), Chain{}, now, h.a); err == nil {
		t.Error("signed without a keyset")
	}
}

func TestAddSignature(t *testing.T) {
	h := newHarbour(t)
	now, keys := at("2026-01-02"), h.pin.Keyset.Keys
	one := mustSign(t, document(h.chain.Current(), 1, now, at("2026-03-01")), h.chain, h.a)
	broken := bytes.Replace(one, []byte(`"signature":"`), []byte(`"signature":"AAAA`), 1)
	broken = bytes.Replace(broken, []byte(`"}]}}`), nil, 1)
	broken = append(broken[:len(broken)-5], `"}]}}`...)
	for name, c := range map[string]struct {
		data   []byte
		signer Signer
		now    time.Time
		code   string
	}{
		"second key":     {one, h.b, now, ""},
		"weeks later":    {one, h.b, at("2026-02-20"), ""},
		"after its end":  {one, h.b, at("2026-03-02"), CodeExpired},
		"clock far back": {one, h.b, at("2025-12-01"), CodeIssueTime},
		"same key":       {one, h.a, now, CodeAlreadySigned},
		"other key":      {one, testSigner(t, Ed25519, 9), now, CodeNotASigner},
		"broken first":   {broken, h.b, now, CodeBadSignature},
		"too large":      {make([]byte, MaxFile+1), h.b, now, CodeTooLarge},
		"not a file":     {[]byte(`[]`), h.b, now, CodeWrongType},
	} {
		if unfit := Signable(c.data, c.now); (unfit != nil) != (c.code == CodeExpired || c.code == CodeIssueTime || c.code == CodeTooLarge || c.code == CodeWrongType) {
			t.Errorf("%s: signable %v", name, unfit)
		}
		two, err := AddSignature(c.data, keys, c.now, c.signer)
		if CodeOf(err) != c.code {
			t.Errorf("%s: %v, want %q", name, err, c.code)
			continue
		}
		if err != nil {
			continue
		}
		v, _, err := Open(two, h.pin, Floor{}, at("2026-02-21"))
		if err != nil || !slices.Equal(v.Signers(), count(map[string]bool{h.a.key.id: true, h.b.key.id: true}, keys)) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestAttachSignature(t *testing.T) {
	h := newHarbour(t)
	keys := h.pin.Keyset.Keys
	none := mustSign(t, document(h.chain.Current(), 1, at("2026-01-02"), at("2026-03-01")), h.chain)
	input, err := SigningInput(none, h.b.key)
	if err != nil {
		t.Fatal(err)
	}
	good, err := h.b.sign(input)
	if err != nil {
		t.Fatal(err)
	}
	elsewhere, err := h.b.sign(append(input, '\n'))
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		key  Key
		sig  []byte
		code string
	}{
		"good":               {h.b.key, good, ""},
		"of other bytes":     {h.b.key, elsewhere, CodeBadSignature},
		"under another key":  {h.c.key, good, CodeBadSignature},
		"of a stranger":      {testSigner(t, P256, 9).key, good, CodeNotASigner},
		"cut":                {h.b.key, good[:63], CodeSignatureLength},
		"cut, for Ed25519":   {h.a.key, good[:63], CodeSignatureLength},
		"empty":              {h.b.key, nil, CodeSignatureLength},
		"zeros":              {h.b.key, make([]byte, 64), CodeBadSignature},
		"DER of zeros":       {h.b.key, []byte{0x30, 6, 2, 1, 0, 2, 1, 0}, CodeSignatureLength},
		"DER, then garbage":  {h.b.key, []byte{0x30, 6, 2, 1, 1, 2, 1, 1, 0}, CodeSignatureLength},
		"DER of a wrong one": {h.b.key, []byte{0x30, 6, 2, 1, 1, 2, 1, 1}, CodeBadSignature},
	} {
		if _, err := AttachSignature(none, keys, c.key, c.sig); CodeOf(err) != c.code {
			t.Errorf("%s: %v, want %q", name, err, c.code)
		}
	}
}

// A statement is collected from several people like a policy, and kept.
func TestStatementInTurns(t *testing.T) {
	f := newFleet(t)
	chain := mustChain(t, f.first())
	data, err := SignStatement(f.first(), f.second(), nil, f.day, f.old[0])
	if err != nil {
		t.Fatal(err)
	}
	keys, err := StatementKeys(data, f.first())
	if err != nil || len(keys) != 6 {
		t.Fatalf("%d keys, %v", len(keys), err)
	}
	if _, err := chain.Extend(data); CodeOf(err) != CodeCurrentKeys {
		t.Errorf("one signature: %v", err)
	}
	for _, s := range []Signer{f.old[1], f.next[0], f.next[2]} {
		if data, err = AddSignature(data, keys, f.day, s); err != nil {
			t.Fatal(err)
		}
	}
	longer, err := chain.Extend(data)
	if err != nil {
		t.Fatal(err)
	}
	text, err := longer.JSON()
	if err != nil {
		t.Fatal(err)
	}
	back, err := ParseChain(text)
	if err != nil || !back.Current().Same(f.second()) || !back.First().Same(f.first()) {
		t.Errorf("the chain does not come back: %v", err)
	}
	if _, err := back.Extend(data); CodeOf(err) != CodeKeysetGap {
		t.Errorf("the same statement again: %v", err)
	}
	if next, replacing, err := NextStatement(data); err != nil || replacing != nil || !next.Same(f.second()) {
		t.Errorf("shown: %v", err)
	}
	if r := longer.Rebase(); len(r.statements) != 0 || !r.First().Same(f.second()) {
		t.Error("rebased to something else")
	}
}

func TestSignStatementRefuses(t *testing.T) {
	f := newFleet(t)
	gap := f.second()
	gap.Serial = 3
	bad := f.second()
	bad.Threshold = 4
	for name, c := range map[string]struct {
		next Keyset
		now  time.Time
		code string
	}{
		"gap":        {gap, f.day, CodeKeysetGap},
		"unfit":      {bad, f.day, CodeBadThreshold},
		"issue time": {f.second(), f.day.Add(time.Hour), CodeIssueTime},
		"good":       {f.second(), f.day, ""},
	} {
		if _, err := SignStatement(f.first(), c.next, nil, c.now, f.old[0]); CodeOf(err) != c.code {
			t.Errorf("%s: %v, want %q", name, err, c.code)
		}
	}
}
