package native

import (
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
