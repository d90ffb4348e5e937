package agent

import (
	"maps"
	"slices"
	"testing"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// rollover is a harbour on its way from one root to the next: three services,
// two hosts that ask them, and four versions of a policy.
type rollover struct {
	t         *testing.T
	old, heir trusttest.Authority
	hosts     map[string]*rig
	serves    map[string]served
	version   int
}

var rolloverServices = []string{"crane", "tide", "winch"}

// asks lists which services a host watches: the winch stands by the first one.
func asks(host string) []string {
	if host == "first" {
		return rolloverServices
	}
	return rolloverServices[:2]
}

func newRollover(t *testing.T, old, heir trusttest.Authority) *rollover {
	ro := &rollover{t: t, old: old, heir: heir, hosts: map[string]*rig{}, serves: map[string]served{}}
	for _, name := range []string{"first", "second"} {
		r := newRig(t)
		r.host.Labels = map[string]string{"ring": name}
		r.probing()
		r.web.serves = ro.serves
		r.doc.Stages = []policy.Stage{{Name: "first", Labels: map[string]string{"ring": "first"}, Percent: 100}}
		r.doc.Services = []policy.Service{{Name: "crane", Address: at443("crane")}, {Name: "tide", Address: at443("tide")},
			{Name: "winch", Address: at443("winch"), Stages: []string{"first"}}}
		ro.hosts[name] = r
	}
	for _, s := range rolloverServices {
		ro.serves[at443(s)] = under(old)
	}
	return ro
}

// publish brings the next version to every host.
func (ro *rollover) publish() {
	ro.version++
	fp := root.Of(ro.old.Cert.Raw)
	for _, r := range ro.hosts {
		if ro.version > 1 {
			r.next()
		}
		standing := policy.Trusted
		if ro.version == 4 {
			standing = policy.Retired
		}
		r.root(ro.old, only(standing))
		if ro.version > 1 {
			step := policy.Step{Standing: policy.Trusted, Stage: "first"}
			if ro.version > 2 {
				step.Stage = policy.AllHosts
			}
			r.root(ro.heir, step).Succeeds = &fp
		}
	}
}

// verifying lists the services that a host's programs use and that verify.
func (ro *rollover) verifying(name string) []string {
	var ok []string
	r := ro.hosts[name]
	for _, s := range asks(name) {
		for _, fp := range ro.serves[at443(s)].anchors {
			if _, held := r.store.Local[fp]; held {
				ok = append(ok, s)
			}
		}
	}
	return ok
}

// run has every host enforce, and holds it to what was promised.
func (ro *rollover) run(done []string) {
	for _, name := range slices.Sorted(maps.Keys(ro.hosts)) {
		r := ro.hosts[name]
		had, before := r.holds(ro.old), ro.verifying(name)
		_, res := r.enforce(r.signed(), "")
		after := ro.verifying(name)
		for _, s := range before {
			if !slices.Contains(after, s) {
				ro.t.Fatalf("%v: on the %s host %s verifies no longer: %s", done, name, s, brief(res))
			}
		}
		moved := !slices.ContainsFunc(asks(name), func(s string) bool { return slices.Equal(ro.serves[at443(s)].anchors, under(ro.old).anchors) })
		goes := ro.version == 4 && moved
		if gone := !r.holds(ro.old); gone != goes {
			ro.t.Fatalf("%v: on the %s host the old root is gone %v, was there %v, want gone %v: %s", done, name, gone, had, goes, brief(res))
		}
		placed := ro.version > 2 || ro.version == 2 && name == "first"
		if r.holds(ro.heir) != placed {
			ro.t.Fatalf("%v: on the %s host the new root is placed %v", done, name, r.holds(ro.heir))
		}
		if len(res.Held) > 0 != (ro.version == 4 && !moved) {
			ro.t.Fatalf("%v: on the %s host: %s", done, name, brief(res))
		}
		if s := res.Successions; goes && (len(s) != 1 || !s[0].Gone || !s[0].Placed) {
			ro.t.Fatalf("%v: %+v", done, s)
		}
	}
}

// Two roots, three services, and their renewals before, between and after the
// versions of the policy, in every order: nothing breaks at any step, and the
// old root goes exactly when the last dependent has moved.
func TestARolloverInEveryOrder(t *testing.T) {
	old, heir := trusttest.NewAuthority(t, "Harbour Root 2016"), trusttest.NewAuthority(t, "Harbour Root 2026")
	orders := 0
	var walk func(done []string, versions int)
	walk = func(done []string, versions int) {
		if len(done) == 7 {
			orders++
			ro := newRollover(t, old, heir)
			ro.publish()
			for i, event := range done[1:] {
				if event == "policy" {
					ro.publish()
				} else {
					ro.serves[at443(event)] = under(heir)
				}
				ro.run(done[:i+2])
			}
			return
		}
		if versions < 4 {
			walk(append(slices.Clone(done), "policy"), versions+1)
		}
		for _, s := range rolloverServices {
			if !slices.Contains(done, s) {
				walk(append(slices.Clone(done), s), versions)
			}
		}
	}
	walk([]string{"policy"}, 1)
	if orders != 120 {
		t.Errorf("%d orders were tried", orders)
	}
	t.Logf("%d orders of versions and renewals, on 2 hosts", orders)
}

// In the middle of a rollover a service is down, and its last word counts.
func TestARolloverWithAServiceDown(t *testing.T) {
	ro := newRollover(t, trusttest.NewAuthority(t, "Harbour Root 2016"), trusttest.NewAuthority(t, "Harbour Root 2026"))
	for range 4 {
		ro.publish()
	}
	r := ro.hosts["first"]
	r.store.Local[root.Of(ro.old.Cert.Raw)] = ro.old.Cert.Raw
	r.doc.Version = 4
	for _, s := range rolloverServices[:2] {
		ro.serves[at443(s)] = under(ro.heir)
	}
	ro.run([]string{"the winch is left"})
	ro.serves[at443("winch")] = served{answer: trust.Silent}
	if _, res := r.enforce(r.signed(), ""); !r.holds(ro.old) || len(res.Held) != 1 {
		t.Fatalf("%s", brief(res))
	}
	ro.serves[at443("winch")] = under(ro.heir)
	ro.run([]string{"the winch is renewed"})
}
