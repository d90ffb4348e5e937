package native

import (
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// fakeStore is the store of a fake machine, with short waits.
func fakeStore(t testing.TB, h *host.Host) *Debian {
	t.Helper()
	stores, err := Detect(t.Context(), h)
	if err != nil {
		t.Fatal(err)
	}
	if len(stores) != 1 {
		t.Fatalf("%d stores", len(stores))
	}
	d := stores[0].(*Debian)
	d.QuietLimit = time.Second
	return d
}

func TestContract(t *testing.T) {
	trusttest.Run(t, func(t *testing.T) trust.Store { return fakeStore(t, trusttest.FakeHost(t).Host) })
}
