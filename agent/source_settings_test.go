package agent

import (
	"errors"
	"slices"
	"testing"
	"time"

	"github.com/pelletier/go-toml/v2"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// sourcedBy are settings with this source, as TOML.
func sourcedBy(t *testing.T, from string, source SourceSettings) []byte {
	t.Helper()
	r := newRig(t)
	data, err := toml.Marshal(Settings{Policy: from, Source: source, Listeners: DefaultListeners(), Pin: policy.Pin{Keyset: r.chain.First(), MinVersion: 1}.TOML()})
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func TestSourceSettings(t *testing.T) {
	const file, web = "harbour.policy", "https://policy.harbour.test/harbour.policy"
	for what, c := range map[string]struct {
		from   string
		source SourceSettings
		every  time.Duration // 0: refused
		ca     string
	}{
		"a file":               {file, SourceSettings{}, DefaultEvery, ""},
		"an address":           {web, SourceSettings{}, DefaultEvery, ""},
		"plain http":           {"HTTP://policy.harbour.test/", SourceSettings{}, DefaultEvery, ""},
		"all of it":            {web, SourceSettings{Every: "4h", Proxy: "http://proxy.harbour.test:3128", CA: "source.pem"}, 4 * time.Hour, "/etc/anchorhold/source.pem"},
		"an absolute path":     {web, SourceSettings{CA: "/srv/source.pem"}, DefaultEvery, "/srv/source.pem"},
		"too often":            {web, SourceSettings{Every: "59s"}, 0, ""},
		"too seldom":           {web, SourceSettings{Every: "25h"}, 0, ""},
		"no time":              {web, SourceSettings{Every: "daily"}, 0, ""},
		"a file asked often":   {file, SourceSettings{Every: "4h"}, 0, ""},
		"a file by a proxy":    {file, SourceSettings{Proxy: "http://proxy.harbour.test:3128"}, 0, ""},
		"another scheme":       {"ftp://policy.harbour.test/", SourceSettings{}, 0, ""},
		"a scheme, and no end": {"https:/policy.harbour.test", SourceSettings{Every: "1h"}, 0, ""},
	} {
		s, err := ParseSettings(sourcedBy(t, c.from, c.source), "/etc/anchorhold")
		if (err == nil) != (c.every > 0) {
			t.Errorf("%s: %v", what, err)
			continue
		}
		if err == nil && (s.Every() != c.every || s.Source.CA != c.ca || s.Web() == (c.from == file)) {
			t.Errorf("%s: every %s, ca %q, web %v", what, s.Every(), s.Source.CA, s.Web())
		}
	}
	if _, err := ParseSettings(append([]byte("[source]\ncookies = true\n"), sourcedBy(t, web, SourceSettings{})...), "/etc/anchorhold"); err == nil {
		t.Error("an unknown key was taken")
	}
}

// A source that cannot be reached leaves the copy of what it offered to be
// judged as ever, and is told.
func TestACopyStandsIn(t *testing.T) {
	r := newRig(t)
	r.root(trusttest.NewAuthority(t, "Harbour Root 2026"), only(policy.Trusted))
	good := r.signed()
	away := errors.New("no answer")
	b := Believe(Memory{}, good, away, r.pin(), clock)
	if b.Policy.IsZero() || !slices.Equal(b.Conditions, []Condition{Unreachable}) || !errors.Is(b.Away, away) || !b.New {
		t.Errorf("%v, away %v", b.Conditions, b.Away)
	}
	b = Believe(Memory{}, []byte("{"), away, r.pin(), clock)
	if !b.Has(Unreachable) || !b.Has(Refused) || policy.CodeOf(b.Err) == "" || !errors.Is(b.Away, away) {
		t.Errorf("%v, %v", b.Conditions, b.Err)
	}
	b = Believe(Memory{}, good, nil, r.pin(), clock)
	if b = b.By(""); len(b.Conditions) != 0 {
		t.Errorf("%v", b.Conditions)
	}
	if b = b.By("expired"); !b.Has(Unverified) || b.Transport != "expired" || b.Policy.IsZero() {
		t.Errorf("%v", b.Conditions)
	}
}
