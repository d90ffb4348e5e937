package agent

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

func TestBadOrMissingPolicyChangesNothing(t *testing.T) {
	r := newRig(t)
	a := trusttest.NewAuthority(t, "Harbour Root 2016")
	r.root(a, only(policy.Trusted))
	v1 := r.signed()
	r.enforce(v1, "")
	r.next()
	r.root(a, only(policy.Retired))
	v2 := r.signed()
	tampered := []byte(strings.Replace(string(v2), `"payload":"`, `"payload":"A`, 1))
	other := r.doc
	other.Version = 1
	other.Roots = nil
	equivocation, err := policy.Sign(other, r.chain, other.Issued, r.signer)
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		offered   []byte
		condition Condition
	}{
		"tampered": {tampered, Refused}, "half": {v2[:len(v2)/2], Refused}, "empty": {[]byte{}, Refused}, "a web page": {[]byte("<html>"), Refused},
		"missing": {nil, Unreachable}, "another of the same number": {equivocation, Refused},
	} {
		t.Run(name, func(t *testing.T) {
			b, res := r.enforce(c.offered, "a reason")
			if !b.Has(c.condition) || b.Err == nil {
				t.Errorf("conditions %v, error %v", b.Conditions, b.Err)
			}
			if b.Policy.IsZero() || b.Policy.Mark().Version != 1 || len(res.Changes) != 0 || !r.holds(a) {
				t.Errorf("changed %v by a bad policy", res.Changes)
			}
		})
	}
	// Then the good one is taken all the same.
	if b, _ := r.enforce(v2, "a reason"); b.Err != nil || b.Policy.Mark().Version != 2 || r.holds(a) {
		t.Fatal("the good one was not taken after bad ones")
	}
	if b, _ := r.enforce(v1, ""); !b.Has(Refused) || policy.CodeOf(b.Err) != policy.CodeRollback || r.holds(a) {
		t.Fatalf("an old policy brought the root back: %v", b.Err)
	}
}

// Past its end a policy opens no stage, passes no deadline and takes nothing
// out; what was due is mended.
func TestStalePolicy(t *testing.T) {
	r := newRig(t)
	placed, later, leaving := trusttest.NewAuthority(t, "Harbour Now"), trusttest.NewAuthority(t, "Harbour Later"), trusttest.NewAuthority(t, "Harbour Leaving")
	start, deadline := clock.AddDate(0, 0, 100), clock.AddDate(0, 0, 95)
	r.doc.Stages = []policy.Stage{{Name: "later", Percent: 100, Start: &start}}
	r.root(placed, only(policy.Trusted))
	r.root(later, policy.Step{Standing: policy.Trusted, Stage: "later"})
	r.root(leaving, only(policy.Trusted), policy.Step{Standing: policy.Retired, Stage: policy.AllHosts, Deadline: &deadline})
	r.store.Local[root.Of(leaving.Cert.Raw)] = leaving.Cert.Raw
	file := r.signed()
	r.enforce(file, "")
	r.now = clock.AddDate(1, 0, 0) // every date has passed
	delete(r.store.Local, root.Of(placed.Cert.Raw))
	b, _ := r.enforce(file, "")
	if !b.Has(Stale) {
		t.Errorf("conditions %v", b.Conditions)
	}
	if !r.holds(placed) || r.holds(later) || !r.holds(leaving) {
		t.Errorf("placed %v, later %v, leaving %v", r.holds(placed), r.holds(later), r.holds(leaving))
	}
}

func TestClockBehindIsTheClocksFault(t *testing.T) {
	r := newRig(t)
	a := trusttest.NewAuthority(t, "Harbour Root 2026")
	r.root(a, only(policy.Trusted))
	file := r.signed()
	r.now = time.Unix(20, 0) // no battery
	b, res := r.enforce(file, "")
	if !b.Has(ClockBehind) || !res.Right() || !r.holds(a) {
		t.Fatalf("conditions %v, rows %+v", b.Conditions, res.Rows)
	}
}

func TestWhatAHostRemembers(t *testing.T) {
	r := newRig(t)
	r.root(trusttest.NewAuthority(t, "Harbour Root 2026"), only(policy.Trusted))
	r.enforce(r.signed(), "")
	for name, damage := range map[string]func(folder){
		"torn":  func(f folder) { f[FloorFile] = f[FloorFile][:10] },
		"empty": func(f folder) { f[FloorFile] = nil },
		"zero":  func(f folder) { f[FloorFile] = []byte(`{}`) },
	} {
		f := folder{}
		for k, v := range r.state {
			f[k] = v
		}
		damage(f)
		if m, err := Recall(f, "harbour"); err == nil {
			t.Errorf("%s: a floor that cannot be read became %+v", name, m.Floor)
		}
	}
	// An older policy beside a newer floor is not believed.
	v1 := r.state[PolicyFile]
	r.next()
	r.enforce(r.signed(), "")
	r.state[PolicyFile] = v1
	if b := r.believe(nil); !b.Policy.IsZero() || !b.Has(NoPolicy) {
		t.Errorf("believes %v below its floor", b.Policy.Mark())
	}
}

func TestIdentityIsTiedToTheMachine(t *testing.T) {
	f := folder{}
	a, fresh, err := Identify(f, []byte("machine one\n"))
	if err != nil || !fresh || len(a.ID) != 32 {
		t.Fatal(a, fresh, err)
	}
	if err := a.Keep(f); err != nil {
		t.Fatal(err)
	}
	again, fresh, err := Identify(f, []byte("machine one"))
	if err != nil || fresh || again != a {
		t.Errorf("%v %v %v", again, fresh, err)
	}
	clone, fresh, err := Identify(f, []byte("machine two\n"))
	if err != nil || !fresh || clone.ID == a.ID {
		t.Errorf("a clone is %v, fresh %v, %v", clone, fresh, err)
	}
	if strings.Contains(string(f[IdentityFile]), "machine one") {
		t.Error("the machine's own id is stored as it is")
	}
	f[IdentityFile] = []byte("{")
	if _, _, err := Identify(f, []byte("machine one")); err == nil {
		t.Error("an unreadable identity became a new one")
	}
}

func TestSettings(t *testing.T) {
	r := newRig(t)
	pin, err := json.Marshal(r.chain.First().Keys[0])
	if err != nil {
		t.Fatal(err)
	}
	var key struct{ Kty, Crv, X string }
	if err := json.Unmarshal(pin, &key); err != nil {
		t.Fatal(err)
	}
	good := `policy = "harbour.policy"
[labels]
ring = "pilot"
[pin]
policy = "harbour"
generation = 0
serial = 1
threshold = 1
min_version = 1
[[pin.keys]]
kty = "` + key.Kty + `"
crv = "` + key.Crv + `"
x = "` + key.X + `"
`
	s, err := ParseSettings([]byte(good), "/etc/anchorhold")
	if err != nil {
		t.Fatal(err)
	}
	if s.Policy != "/etc/anchorhold/harbour.policy" || s.Labels["ring"] != "pilot" || len(s.Accounts) != 1 || s.Accounts[0] != DefaultAccount {
		t.Errorf("%+v", s)
	}
	for name, c := range map[string]struct{ text, says string }{
		"unknown key":     {"polcy = \"x\"\n" + good, "policy"}, // the nearest one
		"another scheme":  {strings.Replace(good, "harbour.policy", "ftp://policy.harbour.test/p", 1), "http or https"},
		"no source":       {strings.Replace(good, `policy = "harbour.policy"`, "", 1), "no policy source"},
		"a bad label":     {strings.Replace(good, `"pilot"`, `"pi lot"`, 1), "label"},
		"threshold 0":     {strings.Replace(good, "threshold = 1", "threshold = 0", 1), "keyset"},
		"threshold 2":     {strings.Replace(good, "threshold = 1", "threshold = 2", 1), "keyset"},
		"a key cut short": {strings.Replace(good, key.X, key.X[:20], 1), "keyset"},
		"not TOML":        {"policy", ""},
	} {
		if _, err := ParseSettings([]byte(c.text), "/etc/anchorhold"); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// A clock that jumps forward past every date takes nothing out, not even by
// the end of the certificate itself, and blocks nothing new.
func TestAForwardJumpRemovesNothing(t *testing.T) {
	r := newRig(t)
	a := trusttest.NewAuthority(t, "Harbour Root 2016")
	deadline := clock.AddDate(0, 0, 30)
	r.root(a, policy.Step{Standing: policy.Retired, Deadline: &deadline})
	r.store.Local[root.Of(a.Cert.Raw)] = a.Cert.Raw
	file := r.signed()
	if _, res := r.enforce(file, ""); len(res.Held) != 1 {
		t.Fatalf("not held: %+v", res)
	}
	r.now = clock.AddDate(40, 0, 0)
	if _, res := r.enforce(file, "a reason"); !r.holds(a) || len(res.Changes) != 0 || len(res.Held) != 1 {
		t.Fatalf("a jump of the clock took a root out: %+v", res.Changes)
	}
}

// One reason is about one root: where several are held they are named.
func TestForceIsForTheRootItNames(t *testing.T) {
	r := newRig(t)
	a, b := trusttest.NewAuthority(t, "Harbour Root 2016"), trusttest.NewAuthority(t, "Harbour Root 2018")
	for _, x := range []trusttest.Authority{a, b} {
		r.root(x, only(policy.Retired))
		r.store.Local[root.Of(x.Cert.Raw)] = x.Cert.Raw
	}
	file := r.signed()
	if _, res := r.enforce(file, "old root is not needed"); !r.holds(a) || !r.holds(b) || len(res.Held) != 2 {
		t.Fatalf("one reason took out what it did not name: %+v", res.Changes)
	}
	r.only = []root.Fingerprint{root.Of(a.Cert.Raw)}
	if _, res := r.enforce(file, "old root is not needed"); r.holds(a) || !r.holds(b) || len(res.Held) != 1 {
		t.Fatalf("a %v, b %v, held %v", r.holds(a), r.holds(b), res.Held)
	}
}
