package agent

import (
	"testing"

	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// A withdraw that broke a service all the same is taken back in the same run,
// once, and told as a failure.
func TestWhatTurnsOutToBeNeededIsPutBack(t *testing.T) {
	old, heir := trusttest.NewAuthority(t, "Harbour Root 2016"), trusttest.NewAuthority(t, "Harbour Root 2026")
	for name, c := range map[string]struct {
		after func(*harbourWeb) // what has changed when it is asked once more
		back  bool
	}{
		"it still verifies":            {func(w *harbourWeb) {}, false},
		"it went back to the old root": {func(w *harbourWeb) { w.serves[at443("crane")] = under(old) }, true},
		"it is down":                   {func(w *harbourWeb) { w.serves[at443("crane")] = served{answer: trust.Silent} }, false},
		"it fails for another reason":  {func(w *harbourWeb) { w.serves[at443("crane")] = served{answer: trust.Fails} }, false},
		"another root carries it too":  {func(w *harbourWeb) { w.serves[at443("crane")] = under(old, heir) }, false},
		"nobody can be asked any more": {func(w *harbourWeb) { w.fail = errSilent }, false},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t)
			fp := root.Of(old.Cert.Raw)
			r.store.Local[fp], r.store.Local[root.Of(heir.Cert.Raw)] = old.Cert.Raw, heir.Cert.Raw
			w := r.probing("crane")
			w.serves[at443("crane")] = under(heir)
			questions := 0
			w.onAsk = func() {
				if questions++; questions == 2 {
					c.after(w)
				}
			}
			r.root(old, only(policy.Retired))
			r.root(heir, only(policy.Trusted))
			file := r.signed()
			_, res := r.enforce(file, "")
			if r.holds(old) != c.back || questions != 2 {
				t.Fatalf("back %v, asked %d times: %s", r.holds(old), questions, brief(res))
			}
			if _, gone := r.ledger().Gone(trust.Machine, fp); gone == c.back {
				t.Errorf("tombstone %v", gone)
			}
			if !c.back {
				if !res.Right() || len(res.Changes) != 1 || res.Changes[0].Err != nil {
					t.Errorf("%s", brief(res))
				}
				return
			}
			if res.Right() || len(res.Changes) != 2 || res.Changes[0].Err == nil || res.Changes[1].Change.Op != trust.Place || res.Changes[1].Err != nil {
				t.Fatalf("%s", brief(res))
			}
			if b := res.Changes[0].Breaks; len(b) != 1 || b[0].Service != "crane" {
				t.Errorf("%+v", b)
			}
			says(t, res.Changes[0].Err.Error(), "crane", "it was put back")
			events, _, _ := ledger.History(r.state)
			if n := len(events); n != 2 || events[0].Op != trust.Withdraw || events[1].Op != trust.Place || events[1].Status != ledger.Done {
				t.Errorf("%+v", events)
			}
			// The next run knows better, and ends by itself once it moved.
			if _, res = r.enforce(file, ""); len(res.Held) != 1 || !r.holds(old) {
				t.Fatalf("%s", brief(res))
			}
			w.serves[at443("crane")] = under(heir)
			if _, res = r.enforce(file, ""); r.holds(old) || !res.Right() {
				t.Fatalf("%s", brief(res))
			}
		})
	}
}

// It is not put back where a person or a deadline decided: what broke is told.
func TestADecisionStands(t *testing.T) {
	r := newRig(t)
	old := trusttest.NewAuthority(t, "Harbour Root 2016")
	r.store.Local[root.Of(old.Cert.Raw)] = old.Cert.Raw
	w := r.probing("crane")
	w.serves[at443("crane")] = under(old)
	r.root(old, only(policy.Retired))
	_, res := r.enforce(r.signed(), "agreed with the crane's team")
	if r.holds(old) || len(res.Changes) != 1 || res.Changes[0].Err != nil || len(res.Changes[0].Breaks) != 1 || len(w.asked) != 1 {
		t.Fatalf("asked %v: %s", w.asked, brief(res))
	}
	says(t, res.Changes[0].Notes[0], "crane", "no longer does")
}
