package trust

import (
	"strings"
	"testing"

	"anchorhold.test/anchorhold/trust/root"
)

// TestRemedy: a path that no refresh opens is told with the command that does.
func TestRemedy(t *testing.T) {
	for want, b := range map[string]Blocked{
		"chmod a+x /etc/ssl":          {Path: "/etc/ssl", Mode: 0o700, Want: 0o011, ByHand: true},
		"chmod a+rx '/srv/a b;$(id)'": {Path: "/srv/a b;$(id)", Mode: 0o700, Want: 0o055, ByHand: true},
		`chmod a+r '/srv/it'\''s'`:    {Path: "/srv/it's", Mode: 0o600, Want: 0o044, ByHand: true},
	} {
		if got := b.Remedy(); got != want {
			t.Errorf("%s, not %s", got, want)
		}
		s := Snapshot{Store: Machine, Parts: []Part{{Name: "bundle", Kind: Compiled, Present: true, Blocked: &b}},
			Entries: map[root.Fingerprint]Entry{{1}: {Locations: []Location{{Part: "bundle", Blocked: &b}}}}}
		if p := s.Placement(root.Fingerprint{1}); len(p.Helps) != 1 || p.Helps[0] != want {
			t.Errorf("helps %q", p.Helps)
		}
	}
}

func TestPlacement(t *testing.T) {
	fp := root.Of([]byte("a root"))
	at := func(part string) Location { return Location{Part: part, Path: "/" + part} }
	with := func(l Location, f func(*Location)) Location { f(&l); return l }
	shut := &Blocked{Path: "/shut", Mode: 0o600, Want: 0o044}
	parts := func(f func(p []Part)) []Part {
		p := []Part{{Name: "source", Kind: Source, Present: true}, {Name: "bundle", Kind: Compiled, Present: true}, {Name: "java", Kind: Compiled}}
		if f != nil {
			f(p)
		}
		return p
	}
	for _, c := range []struct {
		name  string
		parts []Part
		entry *Entry
		state State
		read  bool
		says  string // how the first reason begins
	}{
		{"nowhere", parts(nil), nil, Absent, false, ""},
		{"in every part", parts(nil), &Entry{Locations: []Location{at("source"), at("bundle")}}, Placed, true, ""},
		{"source alone", parts(nil), &Entry{Locations: []Location{at("source")}}, Incomplete, false, "not in bundle"},
		{"bundle alone", parts(nil), &Entry{Locations: []Location{at("bundle")}}, Incomplete, true, "not in source"},
		{"a copy that nobody finds", parts(nil), &Entry{Locations: []Location{at("source"), with(at("bundle"), func(l *Location) { l.Idle = "a hole before it" })}}, Incomplete, false, "/bundle has no effect"},
		{"dangling alone", parts(nil), &Entry{Locations: []Location{with(at("bundle"), func(l *Location) { l.Dangling = true })}}, Incomplete, false, "/bundle points"},
		{"a shut copy", parts(nil), &Entry{Locations: []Location{at("source"), with(at("bundle"), func(l *Location) { l.Blocked = shut })}}, Unreadable, true, "in bundle"},
		{"one shut, one open", parts(nil), &Entry{Locations: []Location{at("source"), at("bundle"), with(at("bundle"), func(l *Location) { l.Blocked = shut })}}, Placed, true, ""},
		{"a shut part, told first", parts(func(p []Part) { p[1].Blocked, p[2].Present = shut, true }),
			&Entry{Locations: []Location{with(at("source"), func(l *Location) { l.Blocked = shut }), at("bundle")}}, Unreadable, true, "all of bundle is shut"},
		{"refused", parts(nil), &Entry{Blocked: true}, Refused, false, ""},
		{"refused, and there all the same", parts(nil), &Entry{Blocked: true, Locations: []Location{at("source"), at("bundle")}}, Placed, true, ""},
		{"not seen, as not all was read", parts(func(p []Part) { p[1].Unread = "no permission" }), nil, Unknown, false, "could not read bundle"},
		{"seen where it was read", parts(func(p []Part) { p[1].Unread = "no permission" }), &Entry{Locations: []Location{at("source")}}, Placed, false, ""},
		{"a part that is shut for the observer too", parts(func(p []Part) { p[1].Unread, p[1].Blocked = "no permission", shut }), &Entry{Locations: []Location{at("source")}}, Unreadable, false, "all of bundle is shut"},
		{"an opaque part", parts(func(p []Part) { p[2].Present, p[2].Opaque = true, "no key store" }), &Entry{Locations: []Location{at("source"), at("bundle")}}, Incomplete, true, "what java holds cannot be told"},
		{"absent, beside an opaque part", parts(func(p []Part) { p[2].Present, p[2].Opaque = true, "no key store" }), nil, Absent, false, "what java holds cannot be told"},
	} {
		s := Snapshot{Store: Machine, Parts: c.parts, Entries: map[root.Fingerprint]Entry{}}
		if c.entry != nil {
			c.entry.Fingerprint = fp
			s.Entries[fp] = *c.entry
		}
		p := s.Placement(fp)
		if p.State != c.state || p.Read != c.read || p.Root != fp || p.Store != Machine {
			t.Errorf("%s: %s, read %v, %q", c.name, p.State, p.Read, p.Reasons)
		}
		if (c.says == "") != (len(p.Reasons) == 0) || c.says != "" && !strings.HasPrefix(p.Reasons[0], c.says) {
			t.Errorf("%s: reasons %q", c.name, p.Reasons)
		}
	}
}
