package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"anchorhold.test/anchorhold/agent"
)

// Refreshes that overlap: C28.

func c28Fault(t *testing.T, dir string) {
	out := tool(t, "bash", filepath.Join(dir, "play.sh"))
	m := regexp.MustCompile(`vendor roots 6, fewest seen (\d+), at the end (\d+)`).FindStringSubmatch(out)
	if m == nil || m[1] == "6" && m[2] == "6" {
		t.Errorf("no fault was seen: %s", out)
	}
}

// c28Tool takes the options of Debian's tool and compiles with the case's
// refresh, links and hooks included. It stays a little, so that runs overlap.
const c28Tool = `#!/bin/bash
# as update-ca-certificates, with a refresh that is neither atomic nor alone
set -eu
conf=/etc/ca-certificates.conf vendor=/usr/share/ca-certificates local=/usr/local/share/ca-certificates certs=/etc/ssl/certs hooks=/etc/ca-certificates/update.d
while [ $# -gt 0 ]; do case $1 in
	--certsconf) conf=$2; shift 2;; --certsdir) vendor=$2; shift 2;; --localcertsdir) local=$2; shift 2;;
	--etccertsdir) certs=$2; shift 2;; --hooksdir) hooks=$2; shift 2;; *) shift;; esac; done
w=$(mktemp -d); trap 'rm -rf "$w"' EXIT
n=0
while read -r f; do case $f in ''|'#'*|'!'*) ;; *) n=$((n+1)); cp "$vendor/$f" "$w/$(printf %%03d $n).crt"; ln -sf "$vendor/$f" "$certs/$(basename "$f" .crt).pem";; esac; done <"$conf"
for f in "$local"/*.crt; do [ -e "$f" ] || continue; n=$((n+1)); cp "$f" "$w/$(printf %%03d $n).crt"; ln -sf "$f" "$certs/$(basename "$f" .crt).pem"; done
%s "$w" "$certs/ca-certificates.crt"
openssl rehash "$certs" >/dev/null 2>&1 || true
`

// c28Host makes a machine of six vendor roots with the case's refresh.
func c28Host(t *testing.T, dir string) {
	t.Helper()
	tool(t, "sh", "-c", "rm -rf /etc/ssl/certs /usr/share/ca-certificates /etc/ca-certificates/update.d /usr/local/share/ca-certificates")
	var conf strings.Builder
	for i := range 6 {
		name := fmt.Sprintf("vendor-%d.crt", i)
		write(t, "/usr/share/ca-certificates/"+name, read(t, filepath.Join(dir, "vendor", name)), 0o644)
		fmt.Fprintln(&conf, name)
	}
	write(t, "/etc/ca-certificates.conf", conf.String(), 0o644)
	for _, d := range []string{"/etc/ssl/certs", "/etc/ca-certificates/update.d", sourceDir} {
		if err := os.MkdirAll(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	refresh := "/usr/sbin/harbour-refresh"
	write(t, refresh, read(t, filepath.Join(dir, "refresh")), 0o755)
	write(t, platform, fmt.Sprintf(c28Tool, refresh), 0o755)
	tool(t, platform)
	if n := len(bundle(t)); n != 6 {
		t.Fatalf("the machine has %d roots", n)
	}
}

// sampler reads the bundle every few milliseconds and keeps the fewest roots
// that it saw.
type sampler struct {
	stop chan struct{}
	done sync.WaitGroup
	few  int
	seen int
}

func sample() *sampler {
	s := &sampler{stop: make(chan struct{}), few: 1 << 30}
	s.done.Go(func() {
		for {
			select {
			case <-s.stop:
				return
			case <-time.After(2 * time.Millisecond):
				data, err := os.ReadFile(bundleFile)
				n := strings.Count(string(data), "-----BEGIN")
				if err != nil {
					n = 0
				}
				s.few, s.seen = min(s.few, n), s.seen+1
			}
		}
	})
	return s
}

func (s *sampler) end(t *testing.T) int {
	t.Helper()
	close(s.stop)
	s.done.Wait()
	if s.seen < 10 {
		t.Fatalf("only %d samples", s.seen)
	}
	return s.few
}

// c28Root is the root that is placed.
func c28Root(dir string) (file string) {
	return filepath.Join(filepath.Dir(dir), "C07", "two-names", "harbour.crt")
}

// c28Two places one root by two runs of ours at once.
func c28Two(t *testing.T, dir string) {
	file := c28Root(dir)
	fp := blocksOf(t, read(t, file))[0]
	o := newOffice(t)
	c28Host(t, dir)
	o.sign(entry{file: file, sha: fp, standing: "trusted"})
	s := sample()
	var runs sync.WaitGroup
	for range 2 {
		runs.Go(func() {
			if e := anchorhold(t, "/", "enforce"); e.code != 0 {
				t.Errorf("exit %d\n%s", e.code, e.all())
			}
		})
	}
	runs.Wait()
	if few := s.end(t); few < 6 {
		t.Errorf("a reader saw %d roots", few)
	}
	if all := bundle(t); len(all) != 7 || times(all, fp) != 1 {
		t.Errorf("%d roots at the end", len(all))
	}
}

// c28Waits has somebody else's refresh at work when ours begins: whatever that
// one leaves in between, ours comes after it and adds no hole of its own.
func c28Waits(t *testing.T, dir string) {
	file := c28Root(dir)
	fp := blocksOf(t, read(t, file))[0]
	o := newOffice(t)
	c28Host(t, dir)
	o.sign(entry{file: file, sha: fp, standing: "trusted"})
	other := exec.Command(platform)
	other.Env = []string{"PATH=/usr/sbin:/usr/bin:/sbin:/bin"}
	if err := other.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan *sampler)
	go func() {
		other.Wait()
		ended <- sample()
	}()
	e := must(t, 0, "/", "enforce", "--json")
	s := <-ended
	decoded(t, e).placement(t, fp).expect(t, "placed", true, agent.Us)
	time.Sleep(50 * time.Millisecond)
	if few := s.end(t); few < 6 {
		t.Errorf("after the other refresh a reader saw %d roots", few)
	}
	if all := bundle(t); len(all) != 7 || times(all, fp) != 1 {
		t.Errorf("%d roots at the end", len(all))
	}
	known28(t, file)
}

// known28 wants nobody to read the root from both parts.
func known28(t *testing.T, file string) {
	t.Helper()
	for _, part := range []string{bundleFile, linkFolder} {
		if !openssl(t, part, open(t, read(t, file))) {
			t.Errorf("OpenSSL does not find it in %s", part)
		}
	}
}
