package agent

import (
	"slices"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
)

func addresses(targets []trust.Target) (a []string) {
	for _, t := range targets {
		a = append(a, t.Address)
	}
	return a
}

func TestWatched(t *testing.T) {
	r := newRig(t)
	later, past, beyond := r.now.AddDate(0, 0, 10), r.now.AddDate(0, 0, -10), r.doc.Expires.AddDate(0, 0, 1)
	r.doc.Stages = []policy.Stage{
		{Name: "north", Labels: map[string]string{"site": "north"}, Percent: 100},
		{Name: "later", Percent: 100, Start: &later},
		{Name: "open", Percent: 100, Start: &past},
		{Name: "half", Percent: 50},
		{Name: "beyond", Percent: 100, Start: &beyond},
	}
	service := func(name string, stages ...string) policy.Service {
		return policy.Service{Name: name, Address: name + ".harbour.test:443", Stages: stages}
	}
	r.doc.Services = []policy.Service{service("everywhere"), service("all", policy.AllHosts), service("north", "north"), service("later", "later"),
		service("open", "open"), service("either", "later", "north"), {Name: "again", Address: "everywhere.harbour.test:443"},
		{Name: "mail", Address: "everywhere.harbour.test:443", Identity: "mail.harbour.test", StartTLS: "smtp"}, service("half", "half"), service("beyond", "beyond")}
	see := func(host policy.HostFacts) []string {
		return addresses(Watched(r.believe(r.signed()).Policy, host))
	}
	common := []string{"everywhere.harbour.test:443", "all.harbour.test:443", "open.harbour.test:443", "everywhere.harbour.test:443"}
	for name, c := range map[string]struct {
		host policy.HostFacts
		more []string
	}{
		"no label, no identity": {policy.HostFacts{}, nil},
		"north":                 {policy.HostFacts{Labels: map[string]string{"site": "north"}}, []string{"north.harbour.test:443", "either.harbour.test:443"}},
		"south":                 {policy.HostFacts{Labels: map[string]string{"site": "south"}}, nil},
	} {
		got, want := see(c.host), slices.Concat(common, c.more)
		slices.Sort(got)
		slices.Sort(want)
		if !slices.Equal(got, want) {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	in := 0
	for _, id := range "0123456789abcdefghijklmnopqrstuvwxyz" {
		if slices.Contains(see(policy.HostFacts{ID: strings.Repeat(string(id), 32)}), "half.harbour.test:443") {
			in++
		}
	}
	if in < 9 || in > 27 {
		t.Errorf("half of the hosts are %d of 36", in)
	}
	mail := Watched(r.believe(r.signed()).Policy, r.host)
	if m := mail[slices.IndexFunc(mail, func(x trust.Target) bool { return x.StartTLS != "" })]; m.Service != "mail" || m.Identity != "mail.harbour.test" || m.Listener {
		t.Errorf("%+v", m)
	}

	// Long after its end a policy watches what it watched at its end.
	file := r.signed()
	r.enforce(file, "")
	r.now = r.doc.Expires.AddDate(1, 0, 0)
	if got := addresses(Watched(r.believe(file).Policy, policy.HostFacts{})); !slices.Contains(got, "later.harbour.test:443") || len(got) != len(common)+2 {
		t.Errorf("stale: %q", got)
	}
	if Watched(policy.Verified{}, r.host) != nil {
		t.Error("no policy watches nothing")
	}
}

func TestOwn(t *testing.T) {
	for _, other := range []SourceSettings{{CA: "/srv/source.pem"}, {Proxy: "http://proxy.harbour.test:3128"}} {
		if got := Own(Settings{Policy: "https://policy.harbour.test/harbour.policy", Source: other}); len(got) != 0 {
			t.Errorf("%+v: %+v", other, got)
		}
	}
	for source, want := range map[string]string{
		"https://policy.harbour.test/harbour.policy":        "policy.harbour.test:443",
		"https://policy.harbour.test:8443/harbour.policy":   "policy.harbour.test:8443",
		"https://[2001:db8::7]/harbour.policy":              "[2001:db8::7]:443",
		"http://policy.harbour.test/harbour.policy":         "",
		"/etc/anchorhold/harbour.policy":                    "",
		"https:///harbour.policy":                           "",
		"C:\\ProgramData\\anchorhold\\harbour.policy":       "",
		"https://user@policy.harbour.test:1/harbour.policy": "policy.harbour.test:1",
	} {
		got := strings.Join(addresses(Own(Settings{Policy: source})), " ")
		if got != want {
			t.Errorf("%s: %q, want %q", source, got, want)
		}
	}
}

func TestListenerSettings(t *testing.T) {
	good := string(settingsOf(t, DefaultListeners()))
	read := func(text string) (Listeners, error) {
		s, err := ParseSettings([]byte(text), "/etc/anchorhold")
		return s.Listeners, err
	}
	if l, err := read(good); err != nil || !l.Look || len(l.Except) != 0 {
		t.Fatalf("%+v %v", l, err)
	}
	if !strings.Contains(good, "# A handshake can upset") {
		t.Error("the starter does not say what a handshake may do")
	}
	none := good[:strings.Index(good, "[listeners]")] + good[strings.Index(good, "[pin]"):]
	for text, look := range map[string]bool{none: true, none + "[listeners]\nexcept = []\n": true, none + "[listeners]\nlook = false\n": false} {
		if l, err := read(text); err != nil || l.Look != look {
			t.Errorf("%+v %v", l, err)
		}
	}
	for _, bad := range []string{"127.0.0.1", ":0", ":70000", "crane.harbour.test:443", "5432", ":", "127.0.0.1:0", "127.0.0.1:-1"} {
		if _, err := read(none + "[listeners]\nexcept = [" + `"` + bad + `"` + "]\n"); err == nil || !strings.Contains(err.Error(), "except") {
			t.Errorf("%q: %v", bad, err)
		}
	}
	if _, err := read(none + "[listeners]\nlooks = true\n"); err == nil {
		t.Error("an unknown key is taken")
	}
	l := Listeners{Look: true, Except: []string{"127.0.0.1:5432", ":9100", "0.0.0.0:25", "[::1]:443", "192.0.2.1:8443"}}
	if err := l.check(); err != nil {
		t.Fatal(err)
	}
	var all []trust.Target
	for _, a := range []string{"127.0.0.1:5432", "[::1]:5432", "[::1]:9100", "127.0.0.1:9100", "127.0.0.1:25", "[::1]:443", "127.0.0.1:443", "127.0.0.1:8443"} {
		all = append(all, trust.Target{Address: a, Listener: true})
	}
	if got := strings.Join(addresses(l.Asked(all)), " "); got != "[::1]:5432 127.0.0.1:443 127.0.0.1:8443" {
		t.Errorf("asked %q", got)
	}
	l.Except = make([]string, maxExcepted+1)
	if l.check() == nil {
		t.Error("any number is taken")
	}
}

// settingsOf is a settings file as a starter has it.
func settingsOf(t *testing.T, l Listeners) []byte {
	t.Helper()
	r := newRig(t)
	data, err := toml.Marshal(Settings{Policy: "/etc/anchorhold/harbour.policy", Accounts: []string{"nobody"}, Listeners: l,
		Pin: policy.Pin{Keyset: r.chain.First(), MinVersion: 1}.TOML()})
	if err != nil {
		t.Fatal(err)
	}
	return data
}
