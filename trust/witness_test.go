package trust

import (
	"slices"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/trust/root"
)

func fp(name string) root.Fingerprint { return root.Of([]byte(name)) }

func heard(names ...string) Testimony {
	t := Testimony{Reader: "OpenSSL", Part: BundlePart, Path: "/b"}
	for _, n := range names {
		t.Roots = append(t.Roots, fp(n))
	}
	t.Roots = SortRoots(t.Roots)
	return t
}

func with(f func(*Testimony)) Testimony {
	t := Testimony{Reader: "OpenSSL", Part: BundlePart, Path: "/b"}
	f(&t)
	return t
}

func TestCompare(t *testing.T) {
	refused := with(func(t *Testimony) { t.Refused = "bad base64 decode" })
	unheard := with(func(t *Testimony) { t.Unheard = "no end within 10s" })
	change := func(op Op, name string) []Change { return []Change{{Op: op, Root: Root{Fingerprint: fp(name)}}} }
	left := func(name, why string) []Leaving {
		return []Leaving{{Entry: Entry{Fingerprint: fp(name)}, Explained: why}}
	}
	for _, c := range []struct {
		name          string
		before, after Testimony
		batch         []Change
		leaving       []Leaving
		lost          []string
		why           string
	}{
		{name: "nothing changes", before: heard("a", "b"), after: heard("b", "a")},
		{name: "one more", before: heard("a"), after: heard("a", "b"), batch: change(Place, "b")},
		{name: "one less", before: heard("a", "b", "c"), after: heard("a", "c"), lost: []string{"b"}},
		{name: "as many, but another", before: heard("a", "b"), after: heard("a", "c"), batch: change(Place, "c"), lost: []string{"b"}},
		{name: "withdrawn", before: heard("a", "b"), after: heard("a"), batch: change(Withdraw, "b")},
		{name: "blocked", before: heard("a", "b"), after: heard("a"), batch: change(Block, "b")},
		{name: "another one than the withdrawn", before: heard("a", "b"), after: heard("a"), batch: change(Withdraw, "a"), lost: []string{"b"}},
		{name: "placed and gone", before: heard("a", "b"), after: heard("a"), batch: change(Place, "b"), lost: []string{"b"}},
		{name: "unblocked and gone", before: heard("a", "b"), after: heard("a"), batch: change(Unblock, "b"), lost: []string{"b"}},
		{name: "somebody took its file away", before: heard("a", "b"), after: heard("a"), leaving: left("b", "its source file is gone")},
		{name: "nobody took its file away", before: heard("a", "b"), after: heard("a"), leaving: left("b", ""), lost: []string{"b"}},
		{name: "cannot read it any more", before: heard("a", "b"), after: refused, lost: []string{"a", "b"}, why: "bad base64 decode"},
		{name: "cannot read it any more, one withdrawn", before: heard("a", "b"), after: refused, batch: change(Withdraw, "a"), lost: []string{"b"}, why: "bad base64 decode"},
		{name: "says nothing any more", before: heard("a"), after: unheard, lost: []string{"a"}, why: "no end within 10s"},
		{name: "reads none any more", before: heard("a"), after: heard(), lost: []string{"a"}},
		{name: "the last one is withdrawn", before: heard("a"), after: refused, batch: change(Withdraw, "a")},
		{name: "broken before, whole after", before: refused, after: heard("a")},
		{name: "broken before, broken after", before: refused, after: refused},
		{name: "broken before, silent after", before: refused, after: unheard},
		{name: "empty before", before: heard(), after: refused},
		{name: "silent before, broken after", before: unheard, after: refused},
		{name: "silent before, heard after", before: unheard, after: heard("a")},
	} {
		losses := Compare([]Testimony{c.before}, []Testimony{c.after}, c.batch, c.leaving)
		if len(c.lost) == 0 {
			if len(losses) > 0 {
				t.Errorf("%s: %v", c.name, losses)
			}
			continue
		}
		var want []root.Fingerprint
		for _, n := range c.lost {
			want = append(want, fp(n))
		}
		if len(losses) != 1 || !slices.Equal(losses[0].Roots, SortRoots(want)) || losses[0].Why != c.why ||
			losses[0].Reader != "OpenSSL" || losses[0].Part != BundlePart || losses[0].Had != len(c.before.Roots) {
			t.Errorf("%s: %+v", c.name, losses)
		}
	}
}

// Each reader is held against itself, part by part.
func TestCompareKeepsReadersApart(t *testing.T) {
	in := func(reader, part string, names ...string) Testimony {
		x := heard(names...)
		x.Reader, x.Part = reader, part
		return x
	}
	before := []Testimony{in("OpenSSL", BundlePart, "a", "b"), in("OpenSSL", LinksPart, "a", "b"), in("GnuTLS", BundlePart, "a"), in("Java", JavaPart, "a")}
	after := []Testimony{in("GnuTLS", BundlePart, "a"), in("OpenSSL", LinksPart, "b"), in("OpenSSL", BundlePart, "a", "b"), in("Python", BundlePart)}
	losses := Compare(before, after, nil, nil)
	if len(losses) != 1 || losses[0].Reader != "OpenSSL" || losses[0].Part != LinksPart || losses[0].Roots[0] != fp("a") {
		t.Errorf("%+v", losses)
	}
	if both := Both(losses, Compare(before, after, nil, nil)); len(both) != 1 {
		t.Errorf("told twice: %+v", both)
	}
	if both := Both(nil, losses); len(both) != 0 {
		t.Errorf("told once: %+v", both)
	}
}

func TestAgreed(t *testing.T) {
	if x := Agreed([]Testimony{heard("a")}, []Testimony{heard("b")})[0]; x.Heard() || !strings.Contains(x.Unheard, "contradicts") {
		t.Errorf("%+v", x)
	}
	if x := Agreed([]Testimony{heard("a", "b")}, []Testimony{heard("b", "a")})[0]; !x.Heard() {
		t.Errorf("%+v", x)
	}
	silent := with(func(t *Testimony) { t.Unheard = "no end within 10s" })
	if x := Agreed([]Testimony{heard("a")}, []Testimony{silent})[0]; x.Heard() {
		t.Errorf("%+v", x)
	}
	if x := Agreed([]Testimony{silent}, []Testimony{heard("a")})[0]; !x.Heard() {
		t.Errorf("%+v", x)
	}
}

func TestHeardInWords(t *testing.T) {
	links := with(func(t *Testimony) { t.Part, t.Unheard = LinksPart, "no end within 10s" })
	gnutls := with(func(t *Testimony) { t.Reader, t.Refused = "GnuTLS", "import error" })
	nss := Testimony{Reader: "NSS", Unheard: "certutil not installed"}
	by, refused, unheard := Heard([]Testimony{heard("a"), links, gnutls, nss})
	got := strings.Join(by, ",") + "|" + strings.Join(refused, ",") + "|" + strings.Join(unheard, ",")
	if want := "OpenSSL|GnuTLS (bundle: import error)|OpenSSL (no end within 10s),NSS (certutil not installed)"; got != want {
		t.Errorf("%s", got)
	}
}
