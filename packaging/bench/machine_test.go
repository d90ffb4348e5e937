//go:build linux

package bench

import (
	"bytes"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust/trusttest"
)

// store is every folder that a refresh or an enforcement writes to.
var store = []string{"/etc/ssl/certs", "/etc/ca-certificates", "/usr/local/share/ca-certificates", "/etc/anchorhold",
	"/var/lib/anchorhold", "/var/lib/ca-certificates-java", "/var/lib/dpkg/triggers"}

const (
	settings = "/etc/anchorhold"
	anchors  = "/usr/local/share/ca-certificates"
	image    = "/usr/local/store.tar" // the store as it was, in the layer of memory
)

// machine is a private copy of this machine that believes an office's keyset
// and has nothing placed yet.
type machine struct {
	*testing.B
	program string
	office  office
	certs   []trusttest.Authority
}

func newMachine(b *testing.B, program string) *machine {
	m := &machine{B: b, program: program, office: newOffice(b)}
	for i := range 4 {
		m.certs = append(m.certs, trusttest.NewAuthority(b, fmt.Sprintf("Harbour Root %d", i+1)))
	}
	m.remove(settings, "/var/lib/anchorhold")
	m.put("starter.toml", must(b, program, "starter", "--keyset", m.office.file).out)
	must(b, program, "adopt", "starter.toml")
	m.save()
	return m
}

func (m *machine) put(name string, data []byte) {
	m.Helper()
	if err := os.WriteFile(name, data, 0o644); err != nil {
		m.Fatal(err)
	}
}

func (m *machine) remove(names ...string) {
	m.Helper()
	for _, n := range names {
		if err := os.RemoveAll(n); err != nil {
			m.Fatal(err)
		}
	}
}

func (m *machine) save() {
	argv := []string{"/bin/tar", "-cPf", image}
	for _, dir := range store {
		if _, err := os.Stat(dir); err == nil {
			argv = append(argv, dir)
		}
	}
	must(m.B, argv...)
}

// restore brings the store back to where nothing was placed.
func (m *machine) restore() {
	m.remove(store...)
	must(m.B, "/bin/tar", "-xPf", image)
}

// offer puts the policy of the first k roots where the host reads it.
func (m *machine) offer(k int) {
	m.put(filepath.Join(settings, "harbour.policy"), m.office.policy(m.B, m.certs[:k]))
}

// ready has two roots placed.
func (m *machine) ready() {
	m.restore()
	m.offer(2)
	must(m.B, m.program, "enforce")
}

// loop is the shell loop that verify is held against.
func (m *machine) loop(n int, before func()) sample {
	return times(m.B, n, before, "/bin/sh", "-c",
		`for f in /etc/ssl/certs/*.pem; do openssl x509 -noout -fingerprint -sha256 -enddate -in "$f"; done`)
}

func against(ours, theirs sample) float64 { return float64(theirs.median()) / float64(ours.median()) }

func (m *machine) verify() row {
	m.ready()
	must(m.B, m.program, "verify")
	loop := m.loop(slow, nil)
	ours := times(m.B, many, nil, m.program, "verify")
	n := against(ours, loop)
	links, _ := filepath.Glob("/etc/ssl/certs/*.pem")
	return row{fmt.Sprintf("verify, %d roots, warm", len(links)), ours.String(), loop.String() + " openssl x509 in a loop", fmt.Sprintf("1/%.0f", n),
		"<= 20 ms, <= 1/200", verdict(ours.median() <= 20*time.Millisecond && n >= 200)}
}

func (m *machine) verifyCold() row {
	what, budget := "verify, cold", "told"
	if !dropCaches() {
		return leftOut(what, budget, "caches may not be dropped here")
	}
	drop := func() { dropCaches() }
	ours := times(m.B, few, drop, m.program, "verify")
	loop := m.loop(1, drop)
	return row{what, ours.String(), loop.String() + " the same loop", fmt.Sprintf("1/%.0f", against(ours, loop)), budget, ""}
}

func (m *machine) idle() row {
	ours := times(m.B, many, nil, m.program, "enforce")
	base := times(m.B, few, nil, "/usr/sbin/update-ca-certificates")
	return row{"enforce, nothing to do", ours.String(), base.String() + " the platform's refresh, nothing to do", fmt.Sprintf("1/%.0f", against(ours, base)),
		"<= 25 ms", verdict(ours.median() <= 25*time.Millisecond)}
}

// idleWrites runs under strace and counts programs besides our own, and looks
// whether any file of the store or of the state was touched.
func (m *machine) idleWrites() row {
	what, budget := "enforce, nothing to do: tools run, files touched", "none, none"
	if _, err := os.Stat("/usr/bin/strace"); err != nil {
		return leftOut(what, budget, "needs strace")
	}
	before := m.touched()
	must(m.B, "/usr/bin/strace", "-f", "-qq", "-e", "trace=execve,execveat", "-o", "trace", m.program, "enforce")
	after := m.touched()
	trace, err := os.ReadFile("trace")
	if err != nil {
		m.Fatal(err)
	}
	tools := 0
	for line := range strings.Lines(string(trace)) {
		// A call that another interrupts stands on two lines, the second without its path.
		if strings.Contains(line, "exec") && !strings.Contains(line, "resumed>") && !strings.Contains(line, m.program) && !strings.Contains(line, "/proc/self/exe") {
			tools++
		}
	}
	files := 0
	for name, stamp := range after {
		if before[name] != stamp {
			files++
		}
	}
	files += max(0, len(before)-len(after))
	return row{what, fmt.Sprintf("%d, %d", tools, files), fmt.Sprintf("%d files looked at", len(before)), "", budget, verdict(tools == 0 && files == 0)}
}

// touched is everything that says of a file when it was changed.
func (m *machine) touched() map[string]string {
	all := map[string]string{}
	for _, dir := range store {
		filepath.WalkDir(dir, func(name string, e fs.DirEntry, err error) error {
			if err != nil {
				return nil // some hosts have no such folder
			}
			fi, err := e.Info()
			if err == nil {
				all[name] = fmt.Sprint(fi.Mode(), fi.Size(), fi.ModTime().UnixNano(), changed(fi))
			}
			return nil
		})
	}
	return all
}

// place takes k roots in, beside the platform's own refresh for the same k.
func (m *machine) place(k int) row {
	var ours, base sample
	for range few {
		m.restore()
		for i, a := range m.certs[:k] {
			m.put(fmt.Sprintf("%s/harbour-%d.crt", anchors, i), a.PEM())
		}
		base = append(base, must(m.B, "/usr/sbin/update-ca-certificates").took)
		m.restore()
		m.offer(k)
		ours = append(ours, m.enforceApart())
	}
	ratio := 1 / against(ours, base)
	return row{fmt.Sprintf("placing %d and proving, without the witness", k), ours.String(), base.String() + " the platform's refresh for the same", fmt.Sprintf("%.2f", ratio),
		"<= 1.10", verdict(ratio <= 1.10)}
}

// placeWhole is the whole program, which has all readers read three times.
func (m *machine) placeWhole(k int) row {
	var ours, base sample
	for range few {
		m.restore()
		for i, a := range m.certs[:k] {
			m.put(fmt.Sprintf("%s/harbour-%d.crt", anchors, i), a.PEM())
		}
		base = append(base, must(m.B, "/usr/sbin/update-ca-certificates").took)
		m.restore()
		m.offer(k)
		p := must(m.B, m.program, "enforce")
		if !bytes.Contains(p.out, []byte("All is as wanted")) {
			m.Fatalf("%s", p.out)
		}
		ours = append(ours, p.took)
	}
	ratio := 1 / against(ours, base)
	return row{fmt.Sprintf("placing %d, the whole 'anchorhold enforce'", k), ours.String(), base.String() + " the platform's refresh for the same", fmt.Sprintf("%.2f", ratio), "told", ""}
}

// memory asks a small parent, since Linux counts what a process shared with its
// parent before it became another program (setmax_mm_hiwater_rss in its exec.c),
// and this one is large.
func (m *machine) memory() row {
	m.ready()
	p := must(m.B, "/usr/bin/python3", "-c", `import resource, subprocess, sys
subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, check=True)
print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)`, m.program, "verify")
	kib, err := strconv.Atoi(strings.TrimSpace(string(p.out)))
	if err != nil {
		m.Fatal(err)
	}
	return row{"verify, most memory of a process", fmt.Sprintf("%.1f MiB", float64(kib)/1024), "", "", "told", ""}
}
