package native

import (
	"os"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// A refresh compiles whatever lies in the source, also what no policy names
// and nobody has compiled yet. That is told.
func TestWhatComesInBesideTheBatchIsTold(t *testing.T) {
	f := trusttest.FakeHost(t)
	d := fakeStore(t, f.Host)
	uncalled := trusttest.NewAuthority(t, "Harbour Uncalled")
	f.Put(t, "/usr/local/share/ca-certificates/uncalled.crt", string(uncalled.PEM()))
	batch := []trust.Change{trusttest.Change(trust.Place, trusttest.NewAuthority(t, "Harbour Root 2026").Root())}
	tr, err := d.Try(t.Context(), batch)
	if err != nil {
		t.Fatal(err)
	}
	defer tr.Discard(t.Context())
	notes := strings.Join(tr.Notes(), "\n")
	if !strings.Contains(notes, uncalled.Root().Fingerprint.Short()) || !strings.Contains(notes, "uncalled.crt") {
		t.Errorf("not told: %q", notes)
	}
	if strings.Contains(notes, batch[0].Root.Fingerprint.Short()) {
		t.Errorf("the batch's own root is told as somebody's: %q", notes)
	}
}

// Whoever can exchange a file of the source decides what this machine trusts
// after the next refresh, with or without us.
func TestAnExposedSourceIsTold(t *testing.T) {
	f := trusttest.FakeHost(t)
	d := fakeStore(t, f.Host)
	a, b := trusttest.NewAuthority(t, "Harbour Lab"), trusttest.NewAuthority(t, "Harbour Guarded")
	f.Put(t, "/home/jo/lab.crt", string(a.PEM()))
	f.Put(t, "/usr/local/share/ca-certificates/guarded.crt", string(b.PEM()))
	link := f.Real("/usr/local/share/ca-certificates") + "/lab.crt"
	if err := os.Symlink("/home/jo/lab.crt", link); err != nil {
		t.Fatal(err)
	}
	exposed := func() []string {
		var paths []string
		part, _ := observe(t, d).Part("source")
		for _, x := range part.Faults {
			if x.Code == "exposed" {
				paths = append(paths, x.Path)
			}
		}
		return paths
	}
	if got := exposed(); len(got) != 0 {
		t.Errorf("told too early: %q", got)
	}
	if err := os.Chmod(f.Real("/home/jo"), 0o777); err != nil {
		t.Fatal(err)
	}
	if got := exposed(); len(got) != 1 || got[0] != "/usr/local/share/ca-certificates/lab.crt" {
		t.Errorf("told of %q", got)
	}
}
