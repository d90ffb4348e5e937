//go:build linux

package native

import (
	"context"
	"os"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// TestRealOthersRefreshes has two processes of the tool's name: one at work on
// this store, for which a run waits, and one that sees another folder in its
// place, as a container does, for which it must not.
func TestRealOthersRefreshes(t *testing.T) {
	if !private(t) {
		return
	}
	r := realStore(t)
	tools := trusttest.Need(t, "unshare", "mount", "sleep")
	script := "/usr/local/lib/update-ca-certificates"
	if err := os.WriteFile(script, []byte("#!/bin/sh\n: > $1.on\nwhile [ -e $1 ]; do "+tools[2]+" 0.1; done\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	// start runs the script until the returned function is called.
	start := func(mark string, before ...string) (stop func()) {
		if err := os.WriteFile(mark, nil, 0o644); err != nil {
			t.Fatal(err)
		}
		argv := append(before, script, mark)
		done := make(chan struct{})
		go func() {
			defer close(done)
			h := host.System()
			h.Run(context.Background(), host.Cmd{Path: argv[0], Args: argv[1:], Timeout: time.Minute})
		}()
		stop = func() { os.Remove(mark); <-done }
		t.Cleanup(stop)
		for range 300 {
			if _, err := os.Stat(mark + ".on"); err == nil { // others' refreshes may run on this machine too
				return stop
			}
			time.Sleep(10 * time.Millisecond)
		}
		t.Fatal("the script does not run")
		return stop
	}
	elsewhere := start("/etc/elsewhere", tools[0], "--mount", "--propagation", "private", "/bin/sh", "-c",
		tools[1]+` -t tmpfs tmpfs /etc/ssl/certs && exec "$@"`, "enter")
	for deadline := 300; len(r.d.refreshing()) > 0 && deadline > 0; deadline-- {
		time.Sleep(10 * time.Millisecond) // until its folder is mounted
	}
	if pids := r.d.refreshing(); len(pids) > 0 {
		t.Errorf("processes %v refresh another folder and count", pids)
	}
	a := trusttest.NewAuthority(t, "Harbour Root")
	apply(t, r.d, trusttest.Change(trust.Place, a.Root()))
	elsewhere()

	here := start("/etc/here", "/bin/sh")
	if len(r.d.refreshing()) == 0 {
		t.Error("the refresh of this store is not seen")
	}
	r.d.QuietLimit = 100 * time.Millisecond
	if _, err := r.d.Try(t.Context(), []trust.Change{trusttest.Change(trust.Withdraw, a.Root())}); err == nil {
		t.Error("a batch was tried beside somebody else's refresh")
	}
	here()
}
