package trusttest

import (
	"context"
	"reflect"
	"testing"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// Run holds a store against the contract of [trust.Store]. open returns a
// store that is fresh for each part of the test; it must hold some roots
// already, so that it can be seen that they stay.
func Run(t *testing.T, open func(t *testing.T) trust.Store) {
	parts := []struct {
		name string
		run  func(k *keeper)
	}{
		{"describes itself", describes},
		{"places and withdraws a batch", placesAndWithdraws},
		{"does the same twice", doesTheSameTwice},
		{"withdraws by fingerprint alone", withdrawsByFingerprint},
		{"replaces a root by one of the same name", replaces},
		{"refuses nonsense", refusesNonsense},
		{"tries without touching", triesWithoutTouching},
		{"uses a trial once", usesOnce},
		{"blocks and unblocks", blocks},
		{"heeds the context", heedsContext},
	}
	for _, p := range parts {
		t.Run(p.name, func(t *testing.T) {
			k := &keeper{T: t, store: open(t)}
			k.before = k.look()
			if len(k.before.Entries) == 0 {
				t.Fatal("the store is empty: nothing would be seen to stay")
			}
			p.run(k)
		})
	}
}

// keeper runs one part of the suite and remembers what must stay.
type keeper struct {
	*testing.T
	store  trust.Store
	before trust.Snapshot
}

func (k *keeper) look() trust.Snapshot {
	k.Helper()
	s, err := k.store.Observe(k.Context())
	if err != nil {
		k.Fatal(err)
	}
	return s
}

func (k *keeper) change(op trust.Op, roots ...trust.Root) []trust.Change {
	var batch []trust.Change
	for _, r := range roots {
		batch = append(batch, trust.Change{Store: k.store.ID(), Op: op, Root: r, Why: "the suite"})
	}
	return batch
}

// apply tries and applies a batch that must succeed.
func (k *keeper) apply(batch ...trust.Change) {
	k.Helper()
	trial, err := k.store.Try(k.Context(), batch)
	if err != nil {
		k.Fatal(err)
	}
	if l := trial.Leaving(); len(l) > 0 {
		k.Fatalf("%d roots would leave, the first is %s: %s", len(l), l[0].Entry.Fingerprint.Short(), l[0].Explained)
	}
	out := k.store.Apply(k.Context(), trial)
	if len(out) != len(batch) {
		k.Fatalf("%d outcomes of %d changes", len(out), len(batch))
	}
	for i, o := range out {
		if !reflect.DeepEqual(o.Change, batch[i]) {
			k.Errorf("outcome %d is of %s, not of %s", i, o.Change, batch[i])
		}
		if o.Status != trust.Done || o.Err != nil {
			k.Fatalf("%s: %s, %v, %q", o.Change, o.Status, o.Err, o.Notes)
		}
	}
}

// state asserts what is true of roots.
func (k *keeper) state(want trust.State, roots ...trust.Root) {
	k.Helper()
	s := k.look()
	for _, r := range roots {
		if p := s.Placement(r.Fingerprint); p.State != want {
			k.Fatalf("root %s is %s, not %s: %q, missing in %q", r.Fingerprint.Short(), p.State, want, p.Reasons, p.Missing)
		}
	}
}

// stays asserts that all other roots are as they were.
func (k *keeper) stays(but ...trust.Root) {
	k.Helper()
	skip := map[root.Fingerprint]bool{}
	for _, r := range but {
		skip[r.Fingerprint] = true
	}
	now := k.look()
	for fp := range k.before.Entries {
		was, is := k.before.Placement(fp), now.Placement(fp)
		if !skip[fp] && (was.State != is.State || len(was.Found) != len(is.Found)) {
			k.Errorf("root %s was %s and is %s, %q", fp.Short(), was.State, is.State, is.Reasons)
		}
	}
	for fp := range now.Entries {
		if _, known := k.before.Entries[fp]; !known && !skip[fp] {
			k.Errorf("root %s came along", fp.Short())
		}
	}
}

func describes(k *keeper) {
	c := k.store.Capabilities()
	if k.store.ID() == "" || c.Family == "" || len(c.Ops) == 0 {
		k.Errorf("%q, %+v", k.store.ID(), c)
	}
	if k.before.Store != k.store.ID() {
		k.Errorf("a snapshot of %q", k.before.Store)
	}
	var compiled int
	for _, p := range k.before.Parts {
		if p.Name == "" || p.Path == "" || p.Kind != trust.Source && p.Kind != trust.Compiled && p.Kind != trust.Aside {
			k.Errorf("part %+v", p)
		}
		if p.Kind == trust.Compiled && p.Present {
			compiled++
		}
	}
	if compiled == 0 {
		k.Error("no compiled part is present: nobody reads this store")
	}
	for fp, e := range k.before.Entries {
		if e.Fingerprint != fp || root.Of(e.DER) != fp {
			k.Errorf("entry %s is another certificate", fp.Short())
		}
	}
}

func placesAndWithdraws(k *keeper) {
	a, b := NewAuthority(k, "Harbour Root A").Root(), NewAuthority(k, "Harbour Root B").Root()
	k.state(trust.Absent, a, b)
	k.apply(k.change(trust.Place, a, b)...)
	k.state(trust.Placed, a, b)
	k.stays(a, b)
	k.apply(k.change(trust.Withdraw, a)...)
	k.state(trust.Absent, a)
	k.state(trust.Placed, b)
	k.stays(b)
	k.apply(k.change(trust.Withdraw, b)...)
	k.stays()
}

func doesTheSameTwice(k *keeper) {
	a, b := NewAuthority(k, "Harbour Root A").Root(), NewAuthority(k, "Harbour Root B").Root()
	k.apply(k.change(trust.Place, a, b)...)
	once := k.look()
	k.apply(k.change(trust.Place, a, b)...)
	if !reflect.DeepEqual(once, k.look()) {
		k.Error("placing twice differs from placing once")
	}
	k.apply(k.change(trust.Withdraw, a, b)...)
	k.apply(k.change(trust.Withdraw, a, b)...)
	k.stays()
}

func withdrawsByFingerprint(k *keeper) {
	a := NewAuthority(k, "Harbour Root A").Root()
	k.apply(k.change(trust.Place, a)...)
	a.DER = nil
	k.apply(k.change(trust.Withdraw, a)...)
	k.state(trust.Absent, a)
	k.stays()
}

// replaces has a successor of the same subject come as its predecessor goes:
// what is looked up by name must not lose it.
func replaces(k *keeper) {
	var roots []trust.Root
	for range 3 {
		roots = append(roots, NewAuthority(k, "Harbour Root").Root())
	}
	k.apply(k.change(trust.Place, roots[0], roots[1])...)
	k.apply(append(k.change(trust.Place, roots[2]), k.change(trust.Withdraw, roots[0])...)...)
	k.state(trust.Absent, roots[0])
	k.state(trust.Placed, roots[1], roots[2])
	k.apply(k.change(trust.Withdraw, roots[1])...)
	k.state(trust.Placed, roots[2])
	k.apply(k.change(trust.Withdraw, roots[2])...)
	k.stays()
}

func refusesNonsense(k *keeper) {
	a, b := NewAuthority(k, "Harbour Root A").Root(), NewAuthority(k, "Harbour Root B").Root()
	wrong := trust.Root{Fingerprint: a.Fingerprint, DER: b.DER}
	elsewhere := trust.Change{Store: k.store.ID() + "-other", Op: trust.Place, Root: a}
	both := append(k.change(trust.Place, a), k.change(trust.Withdraw, a)...)
	for name, batch := range map[string][]trust.Change{
		"the zero change":                {{}},
		"no root":                        k.change(trust.Withdraw, trust.Root{}),
		"an unknown operation":           k.change("polish", a),
		"another certificate":            k.change(trust.Place, wrong),
		"no certificate":                 k.change(trust.Place, trust.Root{Fingerprint: a.Fingerprint}),
		"another store":                  {elsewhere},
		"placing and withdrawing a root": both,
	} {
		trial, err := k.store.Try(k.Context(), batch)
		if err != nil {
			continue
		}
		for _, o := range k.store.Apply(k.Context(), trial) {
			if o.Status != trust.Failed || o.Err == nil {
				k.Errorf("%s: %s is %s", name, o.Change, o.Status)
			}
		}
	}
	k.stays()
	mixed := append(k.change(trust.Place, b), trust.Change{})
	trial, err := k.store.Try(k.Context(), mixed)
	if err != nil {
		k.Fatalf("one bad change stopped the batch: %v", err)
	}
	if out := k.store.Apply(k.Context(), trial); len(out) != 2 || out[0].Status != trust.Done || out[1].Status != trust.Failed {
		k.Errorf("one bad change: %+v", out)
	}
	k.state(trust.Placed, b)
}

func triesWithoutTouching(k *keeper) {
	a := NewAuthority(k, "Harbour Root A").Root()
	batch := k.change(trust.Place, a)
	trial, err := k.store.Try(k.Context(), batch)
	if err != nil {
		k.Fatal(err)
	}
	if !reflect.DeepEqual(trial.Batch(), batch) {
		k.Error("the trial is of another batch")
	}
	if staged := trial.Staged(); k.store.Capabilities().Staged != (len(staged) > 0) {
		k.Errorf("%d staged parts", len(staged))
	}
	if !reflect.DeepEqual(k.before, k.look()) {
		k.Error("a trial changed the store")
	}
	if err := trial.Discard(k.Context()); err != nil {
		k.Error(err)
	}
	if !reflect.DeepEqual(k.before, k.look()) {
		k.Error("discarding a trial changed the store")
	}
}

func usesOnce(k *keeper) {
	a := NewAuthority(k, "Harbour Root A").Root()
	for _, use := range []func(trust.Trial){
		func(t trust.Trial) { k.store.Apply(k.Context(), t) },
		func(t trust.Trial) { t.Discard(k.Context()) },
	} {
		trial, err := k.store.Try(k.Context(), k.change(trust.Place, a))
		if err != nil {
			k.Fatal(err)
		}
		use(trial)
		for _, o := range k.store.Apply(k.Context(), trial) {
			if o.Status != trust.Failed {
				k.Error("a trial was used twice")
			}
		}
	}
}

func blocks(k *keeper) {
	ops := map[trust.Op]bool{}
	for _, op := range k.store.Capabilities().Ops {
		ops[op] = true
	}
	if !ops[trust.Block] {
		return // this store cannot: nothing to hold it to
	}
	var vendor trust.Root
	for fp, e := range k.before.Entries {
		if p := k.before.Placement(fp); p.State == trust.Placed && p.Found[0].Origin == trust.FromPackage {
			vendor = trust.Root{Fingerprint: fp, DER: e.DER}
		}
	}
	if vendor.DER == nil {
		k.Fatal("the store holds no package's root to block")
	}
	if trial, err := k.store.Try(k.Context(), k.change(trust.Withdraw, vendor)); err == nil {
		if out := k.store.Apply(k.Context(), trial); out[0].Status != trust.Failed {
			k.Error("a package's root was withdrawn, not blocked")
		}
	}
	k.stays()
	k.apply(k.change(trust.Block, vendor)...)
	k.state(trust.Refused, vendor)
	k.stays(vendor)
	if ops[trust.Unblock] {
		k.apply(k.change(trust.Unblock, vendor)...)
		k.stays()
	}
}

func heedsContext(k *keeper) {
	a := NewAuthority(k, "Harbour Root A").Root()
	ended, cancel := context.WithCancel(k.Context())
	cancel()
	if _, err := k.store.Try(ended, k.change(trust.Place, a)); err == nil {
		k.Error("a trial went on after its context had ended")
	}
	trial, err := k.store.Try(k.Context(), k.change(trust.Place, a))
	if err != nil {
		k.Fatal(err)
	}
	for _, o := range k.store.Apply(ended, trial) {
		if o.Status != trust.Failed {
			k.Error("an apply went on after its context had ended")
		}
	}
	k.stays()
}
