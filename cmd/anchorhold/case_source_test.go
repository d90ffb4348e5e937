package main

import (
	"context"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/agent/source"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// A watched file whose folder is swapped: C30.

// c30Prints are the first digits of the three roots, in their order.
func c30Prints(t *testing.T, dir string) []string {
	t.Helper()
	var found []string
	for _, w := range strings.Fields(read(t, filepath.Join(dir, "EXPECT.txt"))) {
		if w = strings.Trim(w, ",.:"); len(w) == 16 && strings.Trim(w, "0123456789abcdef") == "" {
			found = append(found, w)
		}
	}
	if len(found) != 3 {
		t.Fatalf("EXPECT.txt names %q", found)
	}
	return found
}

// c30Play watches while the case's script swaps, and returns what was taken.
// Nothing may go wrong once the first one is there.
func c30Play(t *testing.T, dir, between string) []string {
	t.Helper()
	bash := trusttest.Need(t, "bash")[0]
	ctx, cancel := context.WithTimeout(t.Context(), callLimit)
	defer cancel()
	folder := filepath.Join(t.TempDir(), "volume")
	f := &source.File{Path: filepath.Join(folder, "root.pem"), Read: host.System().ReadFile, Poll: time.Hour}
	t.Cleanup(func() { f.Close() })
	if _, err := f.Next(ctx); err == nil {
		t.Fatal("there is a file already")
	}
	play := exec.CommandContext(ctx, bash, filepath.Join(dir, "play.sh"), folder, between)
	if err := play.Start(); err != nil {
		t.Fatal(err)
	}
	defer play.Wait()
	last := c30Prints(t, dir)[2]
	var taken []string
	for !slices.Contains(taken, last) {
		o, err := f.Next(ctx)
		if err != nil {
			t.Fatalf("after %q: %v", taken, err)
		}
		taken = append(taken, scanned(t, o.Data)...)
	}
	return taken
}

// scanned are the first digits of the roots in a file.
func scanned(t *testing.T, data []byte) []string {
	t.Helper()
	var all []string
	found, _ := root.Scan(data)
	for _, b := range found {
		all = append(all, b.Fingerprint.Short())
	}
	return all
}

func c30Order(t *testing.T, dir string) {
	if got, want := c30Play(t, dir, "0.7"), c30Prints(t, dir); !slices.Equal(got, want) {
		t.Errorf("taken %q, want %q", got, want)
	}
}

func c30Last(t *testing.T, dir string) {
	if got := c30Play(t, dir, "0.02"); len(got) == 0 {
		t.Error("nothing was taken")
	}
	waits(t, "the service: in force within the refresh time plus a second")
}

// c30Wrong is what c30Play does not let pass.
func c30Wrong(t *testing.T, dir string) {
	for range 3 {
		if got := c30Play(t, dir, "0.1"); len(got) == 0 {
			t.Error("nothing was taken")
		}
	}
}
