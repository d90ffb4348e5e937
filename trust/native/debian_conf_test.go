package native

import (
	"slices"
	"strings"
	"testing"
)

func TestConf(t *testing.T) {
	for _, c := range []struct {
		text     string
		selected string // joined by commas
		refused  string
	}{
		{"", "", ""},
		{"# x\n\na.crt\n!b.crt\n", "a.crt", "b.crt"},
		{" a.crt\t\n!  b.crt \n", "a.crt", "b.crt"},
		{"a.crt\na.crt\n!a.crt\n", "a.crt", ""}, // a line that selects wins: the tool adds after it removes
		{"a.crt\r\n", "a.crt\r", ""},
		{"a.crt\nb.crt", "a.crt", ""}, // no end, not seen
		{"!\n \n", "", ""},
	} {
		p := parseConf([]byte(c.text))
		if got := strings.Join(p.selected(), ","); got != c.selected {
			t.Errorf("%q selects %q, not %q", c.text, got, c.selected)
		}
		if got := strings.Join(p.deselected(), ","); got != c.refused {
			t.Errorf("%q refuses %q, not %q", c.text, got, c.refused)
		}
	}
}

func TestDeselectAndChoose(t *testing.T) {
	for _, c := range []struct{ before, after string }{
		{"# x\r\na.crt\n  b.crt \nc.crt", "# x\r\na.crt\n!  b.crt \nc.crt"},
		{"b.crt\nb.crt\n", "!b.crt\n!b.crt\n"},
		{"!b.crt\n", "!b.crt\n"},
		{"x.crt\na.crt", "x.crt\n!b.crt\na.crt"},
		{"b.crt", "!b.crt\nb.crt"},
		{"", "!b.crt\n"},
	} {
		after := string(parseConf([]byte(c.before)).deselect("b.crt"))
		if after != c.after {
			t.Errorf("%q deselected is %q, not %q", c.before, after, c.after)
		}
		if slices.Contains(parseConf([]byte(after)).selected(), "b.crt") {
			t.Errorf("%q still selects it", after)
		}
		back := string(parseConf([]byte(after)).choose("b.crt"))
		if strings.Contains(c.before, "b.crt\n") && !strings.Contains(c.before, "!") && back != c.before {
			t.Errorf("%q chosen again is %q, not %q", after, back, c.before)
		}
	}
}

// FuzzConf: whatever the list holds, deselecting takes the name out, choosing
// brings it back, and no other name changes.
func FuzzConf(f *testing.F) {
	f.Add([]byte("# x\na.crt\n!b.crt\n"), "a.crt")
	f.Add([]byte(" a.crt \r\n!a.crt\n\n!!a.crt\na.crt"), "b.crt")
	f.Fuzz(func(t *testing.T, data []byte, name string) {
		if name == "" || strings.Trim(name, " \t") != name || strings.ContainsAny(name, "\n") || strings.HasPrefix(name, "#") || strings.HasPrefix(name, "!") {
			return
		}
		before := parseConf(data)
		off := parseConf(before.deselect(name))
		if slices.Contains(off.selected(), name) || !slices.Contains(off.deselected(), name) {
			t.Fatalf("%q without %q is %q", data, name, off.data)
		}
		other := func(c conf) []string {
			return slices.DeleteFunc(c.selected(), func(n string) bool { return n == name })
		}
		if !slices.Equal(other(before), other(off)) {
			t.Fatalf("%q without %q is %q", data, name, off.data)
		}
		if on := parseConf(off.choose(name)); !slices.Contains(on.selected(), name) || !slices.Equal(other(on), other(off)) {
			t.Fatalf("%q with %q again is %q", off.data, name, on.data)
		}
	})
}
