package native

import (
	"context"
	"flag"
	"os"
	"os/exec"
	"sync"
	"testing"

	"golang.org/x/sys/windows"
	"golang.org/x/sys/windows/registry"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// onLab lets the tests of this file change the machine store of the system that
// they run on.
var onLab = flag.Bool("lab", false, "this machine is one of a laboratory: change its store")

func lab(t *testing.T) *Windows {
	t.Helper()
	if !*onLab {
		t.Skip("it changes this machine's store: give -lab on a machine of a laboratory")
	}
	return NewWindows()
}

// TestMain lets this program be the other process of its tests.
func TestMain(m *testing.M) {
	if len(os.Args) == 3 && os.Args[1] == "@die" {
		dieBeforeCommit(os.Args[2])
	}
	os.Exit(m.Run())
}

// withoutBlock is the store without blocks: Wine does not heed them.
type withoutBlock struct{ *Windows }

func (w withoutBlock) Capabilities() trust.Capabilities {
	c := w.Windows.Capabilities()
	c.Ops = []trust.Op{trust.Place, trust.Withdraw}
	return c
}

func TestRealWindowsKeepsTheContract(t *testing.T) {
	w := lab(t)
	trusttest.Run(t, func(t *testing.T) trust.Store {
		t.Cleanup(func() { sweepHarbour(t) })
		return withoutBlock{w}
	})
}

// sweepHarbour takes what tests left out of the store.
func sweepHarbour(t *testing.T) {
	w := NewWindows()
	s, err := w.Observe(t.Context())
	if err != nil {
		return
	}
	for _, e := range s.Entries {
		c, err := root.Parse(e.DER)
		if err != nil || c.X509 == nil || len(c.X509.Subject.Organization) == 0 || c.X509.Subject.Organization[0] != "Harbour" {
			continue
		}
		for _, op := range []trust.Op{trust.Unblock, trust.Withdraw} {
			if trial, err := w.Try(t.Context(), []trust.Change{{Store: trust.Machine, Op: op, Root: trust.Root{Fingerprint: e.Fingerprint, DER: e.DER}}}); err == nil {
				w.Apply(t.Context(), trial)
			}
		}
	}
}

func TestRealTwins(t *testing.T) {
	w := lab(t)
	a, b := twin(t, "Harbour Twin", 7), twin(t, "Harbour Twin", 7)
	for _, r := range []trust.Root{a, b} {
		if out := carry(t, w, trusttest.Change(trust.Place, r)); out[0].Status != trust.Done {
			t.Fatal(out[0].Err)
		}
	}
	out := carry(t, w, trusttest.Change(trust.Withdraw, a))
	if pa, pb := seen(t, w, a), seen(t, w, b); out[0].Status != trust.Done || pa.State != trust.Absent || pb.State != trust.Placed {
		t.Errorf("%v: the one is %s, its twin %s", out[0].Err, pa.State, pb.State)
	}
	if out := carry(t, w, trusttest.Change(trust.Withdraw, b)); out[0].Status != trust.Done {
		t.Error(out[0].Err)
	}
}

func TestRealBlock(t *testing.T) {
	w := lab(t)
	r := trusttest.NewAuthority(t, "Harbour Root").Root()
	carry(t, w, trusttest.Change(trust.Place, r))
	if out := carry(t, w, trusttest.Change(trust.Block, r)); out[0].Status != trust.Done || seen(t, w, r).State != trust.Refused {
		t.Fatalf("%v, %s", out[0].Err, seen(t, w, r).State)
	}
	if out := carry(t, w, trusttest.Change(trust.Unblock, r), trusttest.Change(trust.Place, r)); out[1].Status != trust.Done || seen(t, w, r).State != trust.Placed {
		t.Fatalf("%v, %v, %s", out[0].Err, out[1].Err, seen(t, w, r).State)
	}
	carry(t, w, trusttest.Change(trust.Withdraw, r))
}

// TestRealWriters: what eight writers take out at once stays out.
func TestRealWriters(t *testing.T) {
	w := lab(t)
	var roots []trust.Root
	var batch []trust.Change
	for range 8 {
		r := trusttest.NewAuthority(t, "Harbour Root").Root()
		roots, batch = append(roots, r), append(batch, trusttest.Change(trust.Place, r))
	}
	for _, o := range carry(t, w, batch...) {
		if o.Status != trust.Done {
			t.Fatal(o.Err)
		}
	}
	var wg sync.WaitGroup
	for _, r := range roots {
		wg.Go(func() {
			trial, err := w.Try(t.Context(), []trust.Change{trusttest.Change(trust.Withdraw, r)})
			if err != nil {
				t.Error(err)
				return
			}
			if out := w.Apply(t.Context(), trial); out[0].Status != trust.Done {
				t.Error(out[0].Err)
			}
		})
	}
	wg.Wait()
	for _, r := range roots {
		if p := seen(t, w, r); p.State != trust.Absent {
			t.Errorf("root %s is %s", r.Fingerprint.Short(), p.State)
		}
	}
}

// dyingStore ends the process before a commit.
type dyingStore struct{ winStore }

func (dyingStore) Commit() error {
	windows.TerminateProcess(windows.CurrentProcess(), 9)
	return nil
}

type dyingSystem struct{ winSystem }

func (d dyingSystem) Open(store string, create bool) (winStore, error) {
	s, err := d.winSystem.Open(store, create)
	return dyingStore{s}, err
}

func dieBeforeCommit(file string) {
	der, err := os.ReadFile(file)
	if err != nil {
		os.Exit(3)
	}
	w := newWindows(dyingSystem{})
	r := trust.Root{Fingerprint: root.Of(der), DER: der}
	trial, err := w.Try(context.Background(), []trust.Change{{Store: trust.Machine, Op: trust.Place, Root: r}})
	if err != nil {
		os.Exit(4)
	}
	w.Apply(context.Background(), trial)
	os.Exit(5)
}

// TestRealDeath: a writer that ends between its add and its commit leaves the
// store whole, and the lock to the next.
func TestRealDeath(t *testing.T) {
	w := lab(t)
	r := trusttest.NewAuthority(t, "Harbour Root").Root()
	// No t.TempDir: Wine 8 cannot take a folder away as Go does.
	f, err := os.CreateTemp("", "harbour-*.der")
	if err != nil {
		t.Fatal(err)
	}
	file := f.Name()
	t.Cleanup(func() { os.Remove(file) })
	if _, err := f.Write(r.DER); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	c := exec.Command(os.Args[0], "@die", file)
	if err := c.Run(); err == nil || c.ProcessState.ExitCode() != 9 {
		t.Fatalf("the other process ended with %v", err)
	}
	p := seen(t, w, r)
	if p.State != trust.Absent && p.State != trust.Placed {
		t.Errorf("half of it is there: %s, %q", p.State, p.Reasons)
	}
	if out := carry(t, w, trusttest.Change(trust.Place, r)); out[0].Status != trust.Done {
		t.Error(out[0].Err)
	}
	if out := carry(t, w, trusttest.Change(trust.Withdraw, r)); out[0].Status != trust.Done {
		t.Error(out[0].Err)
	}
}

// TestRealNeverTheUser: nothing of all this is in the account's own store.
func TestRealNeverTheUser(t *testing.T) {
	w := lab(t)
	r := trusttest.NewAuthority(t, "Harbour Root").Root()
	carry(t, w, trusttest.Change(trust.Place, r))
	k, err := registry.OpenKey(registry.CURRENT_USER, winOfUser+`\Root\Certificates\`+thumb(r.DER), registry.READ)
	if err == nil {
		k.Close()
		t.Error("a root was written to the account's own store")
	}
	if p := seen(t, w, r); p.State != trust.Placed || len(p.Aside) != 0 {
		t.Errorf("%s, aside %+v", p.State, p.Aside)
	}
	carry(t, w, trusttest.Change(trust.Withdraw, r))
}
