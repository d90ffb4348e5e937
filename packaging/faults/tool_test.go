//go:build linux

package faults_test

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/native"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// real is where the platform's own tool lies while another takes its place.
const real = platform + ".real"

// liars stand in for the platform's tool. Each is called with its arguments;
// $OUT is the folder of links that it was told to fill.
func liars() map[string]string {
	const run = real + ` "$@" >/dev/null 2>&1; `
	const made = `"$OUT/ca-certificates.crt"`
	return map[string]string{
		"nothing":    `echo "1 added, 0 removed; done."`,
		"empties":    run + `: > ` + made,
		"halves":     run + `n=$(wc -c <` + made + `); head -c $((n / 2)) ` + made + ` >"$OUT/x"; mv "$OUT/x" ` + made,
		"doubles":    run + `cat ` + made + ` ` + made + ` >"$OUT/x"; mv "$OUT/x" ` + made,
		"floods":     `head -c 100000000 /dev/zero | tr '\0' x; head -c 100000000 /dev/zero | tr '\0' y >&2`,
		"fails":      `echo "no" >&2; exit 7`,
		"dies":       `kill -9 $$`,
		"takes ours": run + `rm -f "$OUT"/anchorhold-*; sed -i '1,/END CERT/d' ` + made,
		"removes":    run + `rm -f ` + made,
		"clears":     run + `rm -rf "$OUT"`,
	}
}

// TestToolThatMisbehaves puts other tools in the place of the platform's.
// Nothing goes live that they made, and with the real one back the next run
// comes to the goal.
func TestToolThatMisbehaves(t *testing.T) {
	m := onMachine(t, true, false)
	if m == nil {
		return
	}
	pristine := capture(t, everything...)
	w := m.sweep(scenarios()[2], pristine, "tool", 1)
	m.run("mv", platform, real)
	for name, body := range liars() {
		w.tried++
		w.fault = "tool that " + name
		w.g.base.restore(t, everything...)
		script := "#!/bin/sh\n# --certsconf --certsdir --localcertsdir --etccertsdir --hooksdir\nfor a; do [ \"$b\" != --etccertsdir ] || OUT=$a; b=$a; done\n" + body + "\n"
		if err := os.WriteFile(platform, []byte(script), 0o755); err != nil {
			t.Fatal(err)
		}
		w.sampler.begin(true, w.g.stays...)
		e := w.call(installed, w.g.args...)
		if e.code != 1 {
			w.fail(nil, "it ends with %d: %s", e.code, e.all())
		}
		if len(e.all()) > 64<<10 {
			w.fail(nil, "it says %d bytes", len(e.all()))
		}
		now := capture(t, everything...)
		if d := w.g.base.below(storePaths...).differs(now.below(storePaths...), false); d != "" {
			w.fail(nil, "the store changed: %s", d)
		}
		m.run("cp", real, platform)
		w.recover(nil)
	}
	w.found, w.fault = len(liars()), "tool"
	w.tell("")
}

// TestToolThatHangs has a tool that does not end, and a hook that does not.
func TestToolThatHangs(t *testing.T) {
	m := onMachine(t, true, false)
	if m == nil {
		return
	}
	w := m.sweep(scenarios()[2], capture(t, everything...), "hang", 1)
	w.g.base.restore(t, everything...)
	d := native.NewDebian(host.System())
	d.BuildLimit, d.HookLimit = 300*time.Millisecond, 300*time.Millisecond
	a := trusttest.NewAuthority(t, "Harbour hang").Root()
	batch := []trust.Change{trusttest.Change(trust.Place, a)}
	m.run("mv", platform, real)
	if err := os.WriteFile(platform, []byte("#!/bin/sh\nsleep 600 & wait\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	w.sampler.begin(true, w.g.stays...)
	if _, err := d.Try(t.Context(), batch); err == nil || !strings.Contains(err.Error(), platform) {
		t.Errorf("a tool that hangs: %v", err)
	}
	now := capture(t, storePaths...)
	if diff := w.g.base.below(storePaths...).differs(now, false); diff != "" {
		t.Errorf("the store changed: %s", diff)
	}
	m.run("mv", real, platform)
	hook := hooksDir + "/zz-hangs"
	if err := os.WriteFile(hook, []byte("#!/bin/sh\nexec sleep 5\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	d.BuildLimit = time.Minute
	trial, err := d.Try(t.Context(), batch)
	if err != nil {
		t.Fatal(err)
	}
	o := d.Apply(t.Context(), trial)[0]
	if o.Status != trust.Done || !strings.Contains(fmt.Sprint(o.Notes), "still runs") {
		t.Errorf("a hook that hangs: %v, %q", o.Err, o.Notes)
	}
	for _, f := range w.sampler.end() {
		t.Errorf("a reader saw: %s", f)
	}
	m.run("rm", hook)
	w.found, w.tried = 2, 2
	w.tell("")
}
