package main

import (
	"context"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf16"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// spoiler is the machine's store with a bundle that is spoiled while it is
// tried: what the store's own judgement does not see, the readers must.
type spoiler struct {
	trust.Store
	spoil   func(bundle []byte) []byte
	applied int
}

// spoiled is a trial that was tampered with.
type spoiled struct{ trust.Trial }

func (s *spoiler) Try(ctx context.Context, batch []trust.Change) (trust.Trial, error) {
	t, err := s.Store.Try(ctx, batch)
	if err != nil {
		return nil, err
	}
	for _, p := range t.Staged() {
		if p.Name != trust.BundlePart {
			continue
		}
		data, err := os.ReadFile(p.Path)
		if err != nil {
			return nil, err
		}
		if err := os.WriteFile(p.Path, s.spoil(data), 0o644); err != nil {
			return nil, err
		}
	}
	return spoiled{t}, nil
}

func (s *spoiler) Apply(ctx context.Context, t trust.Trial) []trust.Outcome {
	s.applied++
	return s.Store.Apply(ctx, t.(spoiled).Trial)
}

// all stands for every root that a reader had.
const all = -1

// killers are blocks that cost readers roots which are none of theirs, as
// measured with each. They stand before all others in the bundle.
var killers = map[string]struct {
	block func(t *testing.T, a trusttest.Authority) string
	costs map[string]int // reader: roots that it loses
}{
	"no END line": {func(_ *testing.T, a trusttest.Authority) string {
		return strings.Join(strings.SplitAfter(string(a.PEM()), "\n")[:4], "")
	}, map[string]int{"OpenSSL": all, "GnuTLS": all, "Python": all}},
	"bad base64": {func(_ *testing.T, a trusttest.Authority) string {
		lines := strings.SplitAfter(string(a.PEM()), "\n")
		lines[2] = "!!!!" + lines[2][4:]
		return strings.Join(lines, "")
	}, map[string]int{"OpenSSL": all, "GnuTLS": all, "Python": all}},
	"no DER": {func(*testing.T, trusttest.Authority) string {
		return string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: []byte("this is not der at all")}))
	}, map[string]int{"OpenSSL": all, "GnuTLS": all, "Python": all}},
	"UTF-16": {func(_ *testing.T, a trusttest.Authority) string {
		out := []byte{0xff, 0xfe}
		for _, u := range utf16.Encode([]rune(string(a.PEM()))) {
			out = append(out, byte(u), byte(u>>8))
		}
		return string(out) + "\n"
	}, map[string]int{"OpenSSL": all, "Python": all}},
	"a request": {request, map[string]int{"GnuTLS": all}},
	"empty lines in a block": {func(_ *testing.T, a trusttest.Authority) string {
		lines := strings.SplitAfter(string(a.PEM()), "\n")
		return strings.Join(slices.Insert(lines, 3, "\n"), "")
	}, map[string]int{"OpenSSL": all, "Python": all}},
}

// request is a certificate request of a root's key.
func request(t *testing.T, a trusttest.Authority) string {
	t.Helper()
	der, err := x509.CreateCertificateRequest(rand.Reader, &x509.CertificateRequest{Subject: a.Cert.Subject}, a.Key)
	if err != nil {
		t.Fatal(err)
	}
	return string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE REQUEST", Bytes: der}))
}

// TestWitnessOfASpoiledBundle holds the real readers against bundles that are
// spoiled after the store's own judgement: each names who would lose what, and
// nothing goes live; and one that is not spoiled goes live.
func TestWitnessOfASpoiledBundle(t *testing.T) {
	if !onMachine(t) {
		return
	}
	trusttest.Need(t, "certtool", "python3", "keytool", "prlimit")
	o := newOffice(t)
	a, e := o.authority("Harbour Root 2026")
	o.sign(e)
	for _, name := range slices.Sorted(maps.Keys(killers)) {
		k := killers[name]
		spoil := func(bundle []byte) []byte { return slices.Concat([]byte(k.block(t, a)), bundle) }
		t.Run(name, func(t *testing.T) { refuses(t, spoil, k.costs) })
	}
	// An order to refuse a root is read by some as nothing, by others as that.
	trusted := func(bundle []byte) []byte {
		b, rest := pem.Decode(bundle)
		file := filepath.Join(t.TempDir(), "first.pem")
		write(t, file, string(pem.EncodeToMemory(b)), 0o644)
		return slices.Concat([]byte(tool(t, "openssl", "x509", "-in", file, "-addreject", "serverAuth", "-trustout")), rest)
	}
	t.Run("trust settings", func(t *testing.T) {
		refuses(t, trusted, map[string]int{"OpenSSL": 1, "GnuTLS": 1, "Go": 1})
	})
	t.Run("nothing", func(t *testing.T) {
		s, r := cycle(t, func(bundle []byte) []byte { return bundle })
		if s.applied != 1 || len(r.Changes) != 1 || r.Changes[0].Err != nil || !strings.Contains(read(t, bundleFile), string(a.PEM())) {
			t.Fatalf("%+v", r.Changes)
		}
		for _, x := range r.Witnessed[0].After {
			if x.Reader != "NSS" && (!x.Heard() || !slices.Contains(x.Roots, root.Of(a.Cert.Raw))) {
				t.Errorf("%s in %s: %d roots, %s%s", x.Reader, x.Part, len(x.Roots), x.Refused, x.Unheard)
			}
		}
	})
}

// refuses asserts that a spoiled bundle does not go live, and who is named.
func refuses(t *testing.T, spoil func([]byte) []byte, costs map[string]int) {
	t.Helper()
	before := read(t, bundleFile)
	s, r := cycle(t, spoil)
	if s.applied != 0 || read(t, bundleFile) != before {
		t.Error("it went live")
	}
	if len(r.Changes) != 1 || r.Changes[0].Err == nil || len(r.Witnessed) != 1 {
		t.Fatalf("%+v", r.Changes)
	}
	got := map[string]int{}
	w := r.Witnessed[0]
	for _, l := range trust.Compare(w.Before, w.Staged, nil, nil) {
		if l.Part != trust.BundlePart {
			t.Errorf("in another part: %s", l)
		}
		if got[l.Reader] = len(l.Roots); l.Why != "" && len(l.Roots) == l.Had {
			got[l.Reader] = all
		}
		if !strings.Contains(r.Changes[0].Err.Error(), l.String()) {
			t.Errorf("it does not tell %q: %v", l, r.Changes[0].Err)
		}
	}
	if !maps.Equal(got, costs) {
		t.Errorf("it costs %v, told is %v", costs, got)
	}
}

// cycle enforces with a store that spoils what it tries.
func cycle(t *testing.T, spoil func([]byte) []byte) (*spoiler, agent.Result) {
	t.Helper()
	a := newApp(stdio{in: strings.NewReader(""), out: os.Stdout, err: os.Stderr}, time.Now)
	release, err := a.own(t.Context(), "enforce")
	if err != nil {
		t.Fatal(err)
	}
	defer release()
	m, err := a.machine(t.Context(), nil)
	if err == nil {
		err = m.keep()
	}
	if err != nil {
		t.Fatal(err)
	}
	s := &spoiler{Store: m.agent.Stores[0], spoil: spoil}
	m.agent.Stores[0] = s
	r, err := m.agent.Cycle(t.Context(), m.order(a))
	if err != nil {
		t.Fatal(err)
	}
	return s, r
}

func TestWitnessesOnScreen(t *testing.T) {
	fp := []root.Fingerprint{root.Of([]byte("a root"))}
	got := witnesses("witnessed by", []trust.Testimony{{Reader: "OpenSSL", Roots: fp}, {Reader: "GnuTLS", Part: "bundle", Refused: "import error"},
		{Reader: "Go", Roots: fp}, {Reader: "NSS", Unheard: "certutil not installed"}})
	if want := "witnessed by OpenSSL, Go; not to be used by GnuTLS (bundle: import error); not witnessed: NSS (certutil not installed)"; got != want {
		t.Error(got)
	}
	if got := witnesses("witnessed by", nil); got != "" {
		t.Errorf("of nobody: %q", got)
	}
}

// TestWitnessOfJava has a hook of somebody's spoil Java's store, which is built
// live only: the former one is put back in the same run.
func TestWitnessOfJava(t *testing.T) {
	if !onMachine(t) {
		return
	}
	trusttest.Need(t, "certtool", "python3", "keytool", "prlimit")
	o := newOffice(t)
	_, e := o.authority("Harbour Root 2026")
	o.sign(e)
	tool(t, platform) // whatever this machine's last one left to do
	before := read(t, javaStore)
	const hook = "/etc/ca-certificates/update.d/zz-harbour"
	for name, script := range map[string]string{
		"torn":           "head -c 2000 " + javaStore + " >/tmp/torn; cat /tmp/torn >" + javaStore,
		"emptied":        ": >" + javaStore,
		"removed":        "rm " + javaStore,
		"one root fewer": `keytool -delete -noprompt -cacerts -storepass changeit -alias "$(keytool -list -cacerts -storepass changeit 2>/dev/null | sed -n 's/^\(debian:[^,]*\), .*/\1/p' | grep -v anchorhold | head -1)" 2>/dev/null`,
		"shut":           "chmod 0600 " + javaStore,
	} {
		write(t, hook, "#!/bin/sh\n"+script+"\n", 0o755)
		r := result(t, 1, "enforce")
		if len(r.Changes) != 1 || !strings.Contains(r.Changes[0].Error, "Java") || !strings.Contains(r.Changes[0].Error, "java was put back as it was; it is whole again") {
			t.Errorf("%s: %+v", name, r.Changes)
		}
		if read(t, javaStore) != before {
			t.Errorf("%s: Java's store is not as it was", name)
		}
		if fi, err := os.Stat(javaStore); err != nil || fi.Mode().Perm() != 0o644 {
			t.Errorf("%s: %v %v", name, fi, err)
		}
	}
	if err := os.Remove(hook); err != nil {
		t.Fatal(err)
	}
	says(t, must(t, 0, "/", "enforce").out, "witnessed by OpenSSL, GnuTLS, Java, Python, Go")
	r := result(t, 0, "enforce")
	if len(r.Changes)+len(r.Witnessed) != 0 {
		t.Errorf("with nothing to do: %+v", r.Witnessed)
	}
}
