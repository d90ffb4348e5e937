package policy

import (
	"slices"
	"testing"
	"time"
)

// fleet is a keyset history with every kind of signer.
type fleet struct {
	t     *testing.T
	day   time.Time
	old   []Signer // threshold 2 of 3
	next  []Signer // threshold 2 of 3
	safe  []Signer // contingency, 1 of 2
	safe2 []Signer
	thief Signer
}

func newFleet(t *testing.T) *fleet {
	signers := func(from byte, kinds ...Kind) (s []Signer) {
		for i, k := range kinds {
			s = append(s, testSigner(t, k, from+byte(i)))
		}
		return s
	}
	return &fleet{t: t, day: at("2026-02-01"),
		old: signers(10, Ed25519, P256, Ed25519), next: signers(20, P256, Ed25519, Ed25519),
		safe: signers(30, Ed25519, P256), safe2: signers(40, Ed25519), thief: testSigner(t, Ed25519, 50)}
}

func (f *fleet) keyset(generation, serial uint32, threshold int, signers ...Signer) Keyset {
	k := firstKeyset(threshold, signers...)
	k.Generation, k.Serial, k.Issued = generation, serial, f.day
	return k
}

func (f *fleet) contingency() Keyset { return f.keyset(0, 1, 1, f.safe...) }

func (f *fleet) hash(k Keyset) Digest {
	d, err := k.Hash()
	if err != nil {
		f.t.Fatal(err)
	}
	return d
}

// first is keyset 0.1, with the contingency pinned.
func (f *fleet) first() Keyset {
	k := f.keyset(0, 1, 2, f.old...)
	k.Contingency = f.hash(f.contingency())
	return k
}

// second is keyset 0.2, with the contingency unchanged.
func (f *fleet) second() Keyset {
	k := f.keyset(0, 2, 2, f.next...)
	k.Contingency = f.hash(f.contingency())
	return k
}

// signed makes a statement as it is asked for, also a wrong one.
func (f *fleet) signed(next Keyset, replacing *Keyset, signers ...Signer) envelope {
	payload, err := statement{next, replacing}.payload()
	if err != nil {
		f.t.Fatal(err)
	}
	e := newEnvelope(payload)
	for _, s := range signers {
		if e, err = e.add(s, TypKeyset, []Key{s.key}); err != nil {
			f.t.Fatal(err)
		}
	}
	return e
}

func both(a, b []Signer) []Signer { return slices.Concat(a[:2], b[:2]) }

func TestWalkOneStep(t *testing.T) {
	f := newFleet(t)
	con, next := f.contingency(), f.second()
	change := func(k Keyset, how func(*Keyset)) Keyset {
		k.Keys = slices.Clone(k.Keys)
		how(&k)
		return k
	}
	rescue := f.keyset(1, 1, 2, f.next...)
	otherCon := f.keyset(0, 1, 1, f.safe2...)
	foreignCon := change(con, func(k *Keyset) { k.Policy = "staging" })
	nestedCon := change(con, func(k *Keyset) { k.Contingency = Digest{1} })
	mixedCon := change(con, func(k *Keyset) { k.Keys = append(k.Keys, f.old[0].key) })

	for name, c := range map[string]struct {
		pin  Keyset
		e    envelope
		code string
	}{
		"both sides":              {f.first(), f.signed(next, nil, both(f.old, f.next)...), ""},
		"old keys only":           {f.first(), f.signed(next, nil, f.old...), CodeNextKeys},
		"new keys only":           {f.first(), f.signed(next, nil, f.next...), CodeCurrentKeys},
		"one old key":             {f.first(), f.signed(next, nil, f.old[0], f.next[0], f.next[1]), CodeCurrentKeys},
		"thief's keyset":          {f.first(), f.signed(f.keyset(0, 2, 1, f.thief), nil, f.thief), CodeContingencyChanged},
		"thief signs for all":     {f.first(), f.signed(next, nil, f.thief), CodeCurrentKeys},
		"unsigned":                {f.first(), f.signed(next, nil), CodeNoSignatures},
		"serial after next":       {f.first(), f.signed(change(next, func(k *Keyset) { k.Serial = 3 }), nil, both(f.old, f.next)...), CodeKeysetGap},
		"other policy":            {f.first(), f.signed(change(next, func(k *Keyset) { k.Policy = "staging" }), nil, both(f.old, f.next)...), CodeKeysetOtherPolicy},
		"contingency dropped":     {f.first(), f.signed(change(next, func(k *Keyset) { k.Contingency = Digest{} }), nil, both(f.old, f.next)...), CodeContingencyChanged},
		"contingency swapped":     {f.first(), f.signed(change(next, func(k *Keyset) { k.Contingency = f.hash(otherCon) }), nil, both(f.old, f.next)...), CodeContingencyChanged},
		"swapped, safe signs":     {f.first(), f.signed(change(next, func(k *Keyset) { k.Contingency = f.hash(otherCon) }), &con, append(both(f.old, f.next), f.safe[0])...), ""},
		"swapped, safe silent":    {f.first(), f.signed(change(next, func(k *Keyset) { k.Contingency = f.hash(otherCon) }), &con, both(f.old, f.next)...), CodeContingencyKeys},
		"swapped, new safe signs": {f.first(), f.signed(change(next, func(k *Keyset) { k.Contingency = f.hash(otherCon) }), &otherCon, append(both(f.old, f.next), f.safe2...)...), CodeContingencyUnknown},
		"added where none was":    {f.keyset(0, 1, 2, f.old...), f.signed(next, nil, both(f.old, f.next)...), ""},
		"rescue":                  {f.first(), f.signed(rescue, &con, f.safe[0], f.next[0], f.next[1]), ""},
		"rescue by other safe":    {f.first(), f.signed(rescue, &con, f.safe[1], f.next[0], f.next[1]), ""},
		"rescue, safe silent":     {f.first(), f.signed(rescue, &con, both(f.old, f.next)...), CodeContingencyKeys},
		"rescue, new silent":      {f.first(), f.signed(rescue, &con, f.safe...), CodeNextKeys},
		"rescue, not shown":       {f.first(), f.signed(rescue, nil, f.safe[0], f.next[0], f.next[1]), CodeContingencyMissing},
		"rescue, none pinned":     {f.keyset(0, 1, 2, f.old...), f.signed(rescue, &con, f.safe[0], f.next[0], f.next[1]), CodeContingencyUnknown},
		"rescue by own safe":      {f.first(), f.signed(f.keyset(1, 1, 1, f.thief), &otherCon, f.safe2[0], f.thief), CodeContingencyUnknown},
		"rescue, serial 2":        {f.first(), f.signed(change(rescue, func(k *Keyset) { k.Serial = 2 }), &con, f.safe[0], f.next[0], f.next[1]), CodeKeysetGap},
		"rescue, two up":          {f.first(), f.signed(change(rescue, func(k *Keyset) { k.Generation = 2 }), &con, f.safe[0], f.next[0], f.next[1]), CodeKeysetGap},
		"rescue, safe kept":       {f.first(), f.signed(change(rescue, func(k *Keyset) { k.Contingency = f.hash(con) }), &con, f.safe[0], f.next[0], f.next[1]), CodeContingencyReused},
		"rescue, new safe":        {f.first(), f.signed(change(rescue, func(k *Keyset) { k.Contingency = f.hash(otherCon) }), &con, f.safe[0], f.next[0], f.next[1]), ""},
		"rescue by foreign safe":  {change(f.first(), func(k *Keyset) { k.Contingency = f.hash(foreignCon) }), f.signed(rescue, &foreignCon, f.safe[0], f.next[0], f.next[1]), CodeKeysetOtherPolicy},
		"rescue by nested safe":   {change(f.first(), func(k *Keyset) { k.Contingency = f.hash(nestedCon) }), f.signed(rescue, &nestedCon, f.safe[0], f.next[0], f.next[1]), CodeContingencySignsElse},
		"rescue by mixed safe":    {change(f.first(), func(k *Keyset) { k.Contingency = f.hash(mixedCon) }), f.signed(rescue, &mixedCon, f.old[0], f.next[0], f.next[1]), CodeContingencyOverlaps},
	} {
		got, err := walk(c.pin, []envelope{c.e}, Keyset{})
		if CodeOf(err) != c.code {
			t.Errorf("%s: %v, want code %q", name, err, c.code)
		}
		if (err == nil) == got.IsZero() {
			t.Errorf("%s: keyset and error do not fit together", name)
		}
	}
}

// long returns keysets 0.1 to 0.n and the statements between them.
func (f *fleet) long(n int) ([]Keyset, []envelope) {
	sides := [][]Signer{f.old, f.next}
	sets, chain := []Keyset{f.first()}, []envelope(nil)
	for i := 1; i < n; i++ {
		k := f.keyset(0, uint32(i+1), 2, sides[i%2]...)
		k.Contingency = sets[0].Contingency
		sets = append(sets, k)
		chain = append(chain, f.signed(k, nil, both(f.old, f.next)...))
	}
	return sets, chain
}

func TestWalkChains(t *testing.T) {
	f := newFleet(t)
	sets, chain := f.long(6)
	con := f.contingency()
	// The thief of the old keys went on from 0.2 to a keyset of its own.
	stolen := f.keyset(0, 3, 1, f.thief)
	stolen.Contingency = sets[0].Contingency
	theft := f.signed(stolen, nil, f.next[0], f.next[1], f.thief)
	rescue := f.keyset(1, 1, 2, f.old...)
	rescued := f.signed(rescue, &con, f.safe[0], f.old[0], f.old[1])
	_, tooLong := f.long(MaxStatements + 2)
	stranger, foreign := f.keyset(0, 5, 1, f.thief), f.keyset(0, 5, 1, f.thief)
	foreign.Policy = "staging"

	for name, c := range map[string]struct {
		pin        Keyset
		statements []envelope
		reached    Keyset
		end        Keyset
		code       string
	}{
		"from the first":             {sets[0], chain, Keyset{}, sets[5], ""},
		"nothing new":                {sets[0], nil, Keyset{}, sets[0], ""},
		"pinned in the middle":       {sets[2], chain, Keyset{}, sets[5], ""},
		"pinned at the end":          {sets[5], chain, Keyset{}, sets[5], ""},
		"by the last run's end":      {sets[0], chain, sets[3], sets[5], ""},
		"to the last run's end":      {sets[0], chain, sets[5], sets[5], ""},
		"gap":                        {sets[0], slices.Concat(chain[:1], chain[2:]), Keyset{}, Keyset{}, CodeKeysetGap},
		"stripped in front":          {sets[0], chain[1:], Keyset{}, Keyset{}, CodeKeysetGap},
		"stripped behind":            {sets[0], chain[:3], sets[5], Keyset{}, CodeKeysetRollback},
		"stripped whole":             {sets[0], nil, sets[1], Keyset{}, CodeKeysetRollback},
		"turned round":               {sets[0], []envelope{chain[1], chain[0]}, Keyset{}, Keyset{}, CodeKeysetGap},
		"turned round before pin":    {sets[2], []envelope{chain[1], chain[0]}, Keyset{}, Keyset{}, CodeKeysetOrder},
		"twice":                      {sets[0], []envelope{chain[0], chain[0]}, Keyset{}, Keyset{}, CodeKeysetOrder},
		"too many":                   {sets[0], tooLong, Keyset{}, Keyset{}, CodeTooManyStatements},
		"other keyset of pin's":      {sets[2], []envelope{chain[0], theft}, Keyset{}, Keyset{}, CodeKeysetConflict},
		"pin newer than last run":    {sets[4], chain, sets[2], sets[5], ""},
		"newer pin, nothing proven":  {sets[4], nil, sets[2], Keyset{}, CodePinChanged},
		"newer pin, part proven":     {sets[4], chain[:3], sets[2], Keyset{}, CodePinChanged},
		"newer pin, only its future": {sets[3], chain[3:], sets[1], Keyset{}, CodeKeysetGap},
		"newer pin of strangers":     {stranger, chain, sets[1], Keyset{}, CodeKeysetConflict},
		"newer pin, rescued past it": {sets[4], []envelope{rescued}, sets[2], rescue, ""},
		"pin conflicts with last":    {stolen, nil, sets[2], Keyset{}, CodePinChanged},
		"pin of another policy":      {foreign, nil, sets[2], Keyset{}, CodePinChanged},
		"led astray":                 {sets[0], []envelope{chain[0], theft}, Keyset{}, stolen, ""},
		"astray meets the right one": {sets[0], chain, stolen, Keyset{}, CodeKeysetConflict},
		"right meets the stray one":  {sets[0], []envelope{chain[0], theft}, sets[2], Keyset{}, CodeKeysetConflict},
		"rescue":                     {sets[0], append(slices.Clone(chain), rescued), sets[5], rescue, ""},
		"rescue from astray":         {sets[0], append(slices.Clone(chain), rescued), stolen, rescue, ""},
		"rescue from any serial":     {sets[0], []envelope{rescued}, sets[5], rescue, ""},
		"rescue twice":               {rescue, []envelope{rescued}, rescue, rescue, ""},
		"before the rescue again":    {sets[0], chain, rescue, Keyset{}, CodeKeysetRollback},
	} {
		got, err := walk(c.pin, c.statements, c.reached)
		if CodeOf(err) != c.code {
			t.Errorf("%s: %v, want code %q", name, err, c.code)
		}
		if !got.Same(c.end) && !(got.IsZero() && c.end.IsZero()) {
			t.Errorf("%s: ended at %d.%d, want %d.%d", name, got.Generation, got.Serial, c.end.Generation, c.end.Serial)
		}
	}
}

// A contingency keyset that was replaced on the way is good for nothing, also
// for a host that is shown the chain as it was before.
func TestWalkOldContingency(t *testing.T) {
	f := newFleet(t)
	con, con2 := f.contingency(), f.keyset(0, 1, 1, f.safe2...)
	changed := f.second()
	changed.Contingency = f.hash(con2)
	step := f.signed(changed, &con, append(both(f.old, f.next), f.safe[0])...)
	rescue := f.signed(f.keyset(1, 1, 1, f.thief), &con, f.safe[0], f.thief)
	if _, err := walk(f.first(), []envelope{step, rescue}, Keyset{}); CodeOf(err) != CodeContingencyUnknown {
		t.Errorf("after the change: %v", err)
	}
	if _, err := walk(f.first(), []envelope{rescue}, changed); CodeOf(err) != CodeKeysetConflict {
		t.Errorf("with the change left out, on a host that has seen it: %v", err)
	}
}

// After a rotation the old keys sign no policy, the contingency keys never do,
// and a far version of a thief is undone by the new epoch.
func TestOpenAcrossEpochs(t *testing.T) {
	f := newFleet(t)
	first := mustChain(t, f.first())
	pin := Pin{Keyset: f.first(), MinVersion: 5}
	far := document(f.first(), maxInteger, at("2026-02-02"), at("2026-12-01"))
	far.Issued = at("2026-11-30")
	v, floor, err := Open(mustSign(t, far, first, f.old[0], f.old[1]), pin, Floor{}, at("2026-02-03"))
	if err != nil || !v.ClockBehind() {
		t.Fatal(err, v.ClockBehind())
	}

	statement, err := SignStatement(f.first(), f.second(), nil, f.day, both(f.old, f.next)...)
	if err != nil {
		t.Fatal(err)
	}
	chain, err := first.Extend(statement)
	if err != nil {
		t.Fatal(err)
	}
	doc := document(chain.Current(), 1, at("2026-02-04"), at("2026-05-01"))
	good := mustSign(t, doc, chain, f.next[0], f.next[1])
	v, next, err := Open(good, pin, floor, at("2026-02-05"))
	if err != nil || v.ClockBehind() || v.Mark().Version != 1 {
		t.Fatalf("recovery from the last version: %v, clock behind %v", err, v.ClockBehind())
	}
	next = restart(t, next)
	if !next.Newest.Equal(at("2026-02-04")) {
		t.Errorf("the newest issue time of the old epoch lives on: %v", next.Newest)
	}

	for name, c := range map[string]struct {
		signers []Signer
		code    string
	}{
		"old keys":         {f.old[:2], CodeThreshold},
		"contingency keys": {f.safe, CodeThreshold},
		"all but enough":   {[]Signer{f.old[0], f.safe[0], f.next[0]}, CodeThreshold},
	} {
		e := newEnvelope(mustCanonical(t, doc))
		for _, s := range c.signers {
			if e, err = e.add(s, TypPolicy, []Key{s.key}); err != nil {
				t.Fatal(err)
			}
		}
		data, err := file{chain.statements, e}.bytes()
		if err != nil {
			t.Fatal(err)
		}
		if _, _, err := Open(data, pin, floor, at("2026-02-05")); CodeOf(err) != c.code {
			t.Errorf("%s: %v, want %s", name, err, c.code)
		}
	}
	if _, _, err := Open(mustSign(t, far, first, f.old[0], f.old[1]), pin, next, at("2026-02-06")); CodeOf(err) != CodeKeysetRollback {
		t.Errorf("the old epoch again: %v", err)
	}
	// Lost state: the walk starts at the pin again and ends at the same place.
	if _, again, err := Open(good, pin, Floor{}, at("2026-02-06")); err != nil || !again.Keyset.Same(chain.Current()) {
		t.Errorf("from the pin again: %v", err)
	}
}

func mustCanonical(t testing.TB, d Document) []byte {
	t.Helper()
	text, err := d.Canonical()
	if err != nil {
		t.Fatal(err)
	}
	return text
}
