package agent

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"sync"
	"testing"

	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// staging is a store in memory that builds beside the live one.
type staging struct {
	*trusttest.Memory
	discarded bool
	restored  []string
	cannot    error
}

type stagedTrial struct {
	trust.Trial
	s *staging
}

func (s *staging) Try(ctx context.Context, batch []trust.Change) (trust.Trial, error) {
	t, err := s.Memory.Try(ctx, batch)
	return stagedTrial{t, s}, err
}

func (s *staging) Apply(ctx context.Context, t trust.Trial) []trust.Outcome {
	return s.Memory.Apply(ctx, t.(stagedTrial).Trial)
}

func (t stagedTrial) Staged() []trust.Part {
	return []trust.Part{{Name: trust.BundlePart, Kind: trust.Compiled, Path: "staged/bundle", Present: true}}
}

func (t stagedTrial) Discard(ctx context.Context) error {
	t.s.discarded = true
	return t.Trial.Discard(ctx)
}

func (t stagedTrial) Restore(_ context.Context, part string) error {
	t.s.restored = append(t.s.restored, part)
	return t.s.cannot
}

// script says what one reader finds: of the live store before it was refreshed
// and after, and of the staged one, at each asking.
type script struct {
	mu                    sync.Mutex
	store                 *staging
	before, staged, after []string // the last one is said for ever
	asked                 int
}

// Attest implements trust.Witness. "2" are both roots, "1" is one of them, and
// any other text says why there are none.
func (s *script) Attest(_ context.Context, parts []trust.Part) []trust.Testimony {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.asked++
	from := &s.before
	for _, p := range parts {
		if strings.HasPrefix(p.Path, "staged/") {
			from = &s.staged
		} else if s.store.Applied > 0 {
			from = &s.after
		}
	}
	say := (*from)[0]
	if len(*from) > 1 {
		*from = (*from)[1:]
	}
	t := trust.Testimony{Reader: "GnuTLS", Part: trust.BundlePart, Path: "bundle"}
	one, two := root.Of([]byte("one")), root.Of([]byte("two"))
	switch say {
	case "2":
		t.Roots = trust.SortRoots([]root.Fingerprint{one, two})
	case "1":
		t.Roots = []root.Fingerprint{one}
	case "denied":
		t.Refused, t.Denied = "no permission at staged (mode 0700)", true
	case "hangs":
		t.Unheard = "no end within 15s"
	default:
		t.Refused = say
	}
	return []trust.Testimony{t}
}

func TestReadersAreHeardAroundARefresh(t *testing.T) {
	says := func(s ...string) []string { return s }
	for _, c := range []struct {
		name                  string
		before, staged, after []string
		cannot                error
		live, right, restored bool
		told                  string
	}{
		{name: "nothing is lost", before: says("2"), staged: says("2"), after: says("2"), live: true, right: true},
		{name: "a root would be lost", before: says("2"), staged: says("1"), told: "GnuTLS misses 1 of its 2 roots"},
		{name: "all would be lost", before: says("2"), staged: says("import error"), told: "GnuTLS can read none of its 2 roots in bundle bundle (import error)"},
		{name: "the reader crashes on it each time", before: says("2"), staged: says("hangs"), told: "no end within 15s"},
		{name: "it looked so once", before: says("2"), staged: says("1", "2"), after: says("2"), live: true, right: true},
		{name: "it crashed once", before: says("2"), staged: says("hangs", "2"), after: says("2"), live: true, right: true},
		{name: "the reader contradicts itself", before: says("2", "1"), staged: says("1"), after: says("2"), live: true, right: true},
		{name: "the reader fell silent on both", before: says("2", "hangs"), staged: says("hangs"), after: says("2"), live: true, right: true},
		{name: "the reader broke meanwhile", before: says("2", "import error"), staged: says("import error"), after: says("2"), live: true, right: true},
		{name: "broken before, mended", before: says("import error"), staged: says("2"), after: says("2"), live: true, right: true},
		{name: "broken before, broken after", before: says("import error"), staged: says("import error"), after: says("import error"), live: true, right: true},
		{name: "a reader that hangs always", before: says("hangs"), staged: says("hangs"), after: says("hangs"), live: true, right: true},
		{name: "the stage may not be read", before: says("2"), staged: says("denied"), after: says("2"), live: true, right: true},
		{name: "lost when it was live, put back", before: says("2"), staged: says("2"), after: says("1", "1", "2"), live: true, restored: true, told: "put back as it was; it is whole again"},
		{name: "lost when it was live, put back in vain", before: says("2"), staged: says("2"), after: says("1"), live: true, restored: true, told: "still GnuTLS misses 1"},
		{name: "lost when it was live, not put back", before: says("2"), staged: says("2"), after: says("import error"), cannot: errors.New("somebody else changed it"), live: true, restored: true, told: "somebody else changed it"},
		{name: "not to be read where it is live", before: says("2"), staged: says("2"), after: says("denied"), live: true, restored: true, told: "no permission"},
		{name: "lost for a moment", before: says("2"), staged: says("2"), after: says("1", "2"), live: true, right: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t)
			a := trusttest.NewAuthority(t, "Harbour Root 2026")
			r.root(a, only(policy.Trusted))
			s := &staging{Memory: r.store, cannot: c.cannot}
			w := &script{store: s, before: c.before, staged: c.staged, after: c.after}
			res := r.witnessed(s, w)
			if r.holds(a) != c.live || s.discarded == c.live {
				t.Errorf("live %v, discarded %v", r.holds(a), s.discarded)
			}
			if len(res.Changes) != 1 || (res.Changes[0].Err == nil) != c.right || (len(s.restored) > 0) != c.restored {
				t.Fatalf("%+v, restored %v", res.Changes, s.restored)
			}
			if !c.right && !strings.Contains(res.Changes[0].Err.Error(), c.told) {
				t.Errorf("it says %v", res.Changes[0].Err)
			}
			if len(res.Witnessed) != 1 || res.Witnessed[0].Before == nil || (res.Witnessed[0].After != nil) != c.live {
				t.Errorf("%+v", res.Witnessed)
			}
			if events, _, _ := ledger.History(r.state); len(events) != 1 || (events[0].Status == "done") != c.right {
				t.Errorf("history %+v", events)
			}
			asked := w.asked
			if !c.live || !c.right {
				return
			}
			if res = r.witnessed(s, w); len(res.Changes) != 0 || w.asked != asked || res.Witnessed != nil {
				t.Errorf("with nothing to do the readers were asked: %+v", res.Witnessed)
			}
		})
	}
}

// witnessed enforces the rig's document with a store and a witness of its own.
func (r *rig) witnessed(s trust.Store, w trust.Witness) Result {
	r.t.Helper()
	b := r.believe(r.signed())
	if err := b.Keep(r.state); err != nil {
		r.t.Fatal(err)
	}
	a := &Agent{Stores: []trust.Store{s}, Ledger: r.ledger(), Prover: r.prover, Witness: w, Log: slog.New(slog.DiscardHandler)}
	res, err := a.Cycle(r.t.Context(), Order{Policy: b.Policy, Host: r.host, Now: r.now})
	if err != nil {
		r.t.Fatal(err)
	}
	return res
}

// A successor and its predecessor are two refreshes of one cycle: between them
// nobody is asked twice.
func TestASecondRefreshKnowsTheFirst(t *testing.T) {
	r := newRig(t)
	old, heir := trusttest.NewAuthority(t, "Harbour Root 2016"), trusttest.NewAuthority(t, "Harbour Root 2026")
	r.root(old, only(policy.Trusted))
	r.enforce(r.signed(), "")
	r.next()
	passed := r.now.AddDate(0, 0, -1)
	r.root(old, policy.Step{Standing: policy.Retired, Deadline: &passed})
	fp := root.Of(old.Cert.Raw)
	r.root(heir, only(policy.Trusted)).Succeeds = &fp
	r.store.Applied = 0
	s := &staging{Memory: r.store}
	w := &script{store: s, before: []string{"2"}, staged: []string{"2"}, after: []string{"2"}}
	res := r.witnessed(s, w)
	if r.holds(old) || !r.holds(heir) || len(res.Witnessed) != 2 {
		t.Fatalf("%+v", res)
	}
	if w.asked != 5 { // before, staged, after; staged, after
		t.Errorf("asked %d times", w.asked)
	}
}
