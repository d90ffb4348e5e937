package reader

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
)

// Limits of one reader. Java needs a second where others need a tenth.
const (
	readerTimeout = 15 * time.Second
	javaTimeout   = 30 * time.Second
	readerOutput  = 16 << 20
	readerMemory  = 512 << 20
	maxWords      = 200 // of what a program said that are quoted
)

// Witness asks the programs of a host what they read. It implements
// [trust.Witness]: each program is a child with bounded time, output and
// memory, they run side by side, and none runs whose file anyone but root
// could have written.
type Witness struct {
	Host    *host.Host
	Account string // whom the programs run as
	Can     bool   // this process may run them as that account; if not, they run as it itself
	Tools   Tools
	Timeout time.Duration // of each program; as long as its reader may need where 0
}

// Tools are the programs by which the libraries of a host are heard.
type Tools struct{ OpenSSL, GnuTLS, Python, Java, NSS string }

// SystemTools returns where the programs lie on the real system.
func SystemTools() Tools {
	return Tools{OpenSSL: "/usr/bin/openssl", GnuTLS: "/usr/bin/certtool", Python: "/usr/bin/python3", Java: "/usr/bin/keytool", NSS: "/usr/bin/certutil"}
}

// reading is what came of asking one program about one part.
type reading struct {
	version string
	roots   []root.Fingerprint
	refused string // the program ran as it should and could not use the part
	denied  bool   // ... for want of a right to read
	err     error  // nothing can be said
}

// voice is one reader of one kind of part.
type voice struct {
	name string
	part string
	tool func(Tools) string // nil: this program itself
	ask  func(ctx context.Context, s *sitting, tool string, p trust.Part) reading
}

// voices are the readers, in the order in which people are told of them.
// Programs that use one of the libraries (curl, wget, perl) are not asked
// beside it. What is known of each is measured: see the files of each.
func voices() []voice {
	if runtime.GOOS == "windows" {
		return []voice{{"Windows", trust.PlatformPart, nil, askGo}}
	}
	return []voice{
		{"OpenSSL", trust.BundlePart, func(t Tools) string { return t.OpenSSL }, askOpenSSL},
		{"OpenSSL", trust.LinksPart, func(t Tools) string { return t.OpenSSL }, askOpenSSLFolder},
		{"GnuTLS", trust.BundlePart, func(t Tools) string { return t.GnuTLS }, askGnuTLS},
		{"Java", trust.JavaPart, func(t Tools) string { return t.Java }, askJava},
		{"Python", trust.BundlePart, func(t Tools) string { return t.Python }, askPython},
		{"Go", trust.BundlePart, nil, askGo},
		{"Go", trust.LinksPart, nil, askGo},
	}
}

// sitting is one asking.
type sitting struct {
	w     Witness
	as    *host.Account
	parts []trust.Part
	slots chan struct{} // as many programs as there are processors

	list    func() ([]Listing, error) // what this program's own child reads
	openssl func() (string, error)    // OpenSSL's version
}

// Attest implements [trust.Witness].
func (w Witness) Attest(ctx context.Context, parts []trust.Part) []trust.Testimony {
	s := &sitting{w: w, slots: make(chan struct{}, max(2, runtime.NumCPU()))}
	for _, p := range parts {
		if p.Present && p.Kind == trust.Compiled {
			s.parts = append(s.parts, p)
		}
	}
	if len(s.parts) == 0 {
		return nil
	}
	var unable error
	if w.Can {
		s.as, unable = w.Host.Account(w.Account)
	}
	s.list = sync.OnceValues(func() ([]Listing, error) { return s.askOurselves(ctx) })
	s.openssl = sync.OnceValues(func() (string, error) { return s.opensslVersion(ctx) })
	var all []*trust.Testimony
	var wg sync.WaitGroup
	for _, v := range voices() {
		for _, p := range s.parts {
			if p.Name != v.part {
				continue
			}
			t := &trust.Testimony{Reader: v.name, Part: p.Name, Path: p.Path}
			all = append(all, t)
			if unable != nil {
				t.Unheard = unable.Error()
				continue
			}
			wg.Go(func() { s.hear(ctx, v, p, t) })
		}
	}
	wg.Wait()
	out := make([]trust.Testimony, 0, len(all)+1)
	for _, t := range all {
		out = append(out, *t)
	}
	s.deny(out)
	return append(out, w.nss())
}

// hear fills one testimony.
func (s *sitting) hear(ctx context.Context, v voice, p trust.Part, t *trust.Testimony) {
	if v.tool != nil {
		t.Program = v.tool(s.w.Tools)
		if _, err := s.w.Host.Stat(t.Program); errors.Is(err, fs.ErrNotExist) {
			t.Unheard = missing(t.Program)
			return
		}
	}
	r := v.ask(ctx, s, t.Program, p)
	t.Version = root.Safe(r.version, maxWords)
	switch {
	case r.err != nil:
		t.Unheard = r.err.Error()
	case r.refused != "":
		t.Refused, t.Denied = r.refused, r.denied || strings.Contains(r.refused, "ermission denied") // strerror(EACCES) in the C locale
	case len(r.roots) == 0:
		t.Refused = "it finds no certificate in it"
	default:
		t.Roots = trust.SortRoots(r.roots)
	}
}

// deny tells of the parts that the account may not read at all where that is
// so, rather than what each program made of it.
func (s *sitting) deny(all []trust.Testimony) {
	listings, err := s.list()
	if err != nil {
		return
	}
	for _, l := range listings {
		if !l.Denied {
			continue
		}
		for i, t := range all {
			if t.Part == l.Part && t.Unheard == "" {
				all[i].Roots, all[i].Refused, all[i].Denied = nil, l.Refused, true
			}
		}
	}
}

// nss says why NSS is not heard: on no system with such parts does it read
// them (it has databases of its own, and asking for them with certutil would
// take 44 ms for each root, measured, and say nothing of the store's files).
func (w Witness) nss() trust.Testimony {
	t := trust.Testimony{Reader: "NSS", Program: w.Tools.NSS, Unheard: "it reads no part of this store"}
	if _, err := w.Host.Stat(w.Tools.NSS); errors.Is(err, fs.ErrNotExist) {
		t.Unheard = missing(w.Tools.NSS)
	}
	return t
}

func missing(tool string) string { return path.Base(tool) + " not installed" }

// run runs one program within the bounds of a reader.
func (s *sitting) run(ctx context.Context, c host.Cmd) (host.Result, error) {
	select {
	case s.slots <- struct{}{}:
		defer func() { <-s.slots }()
	case <-ctx.Done():
		return host.Result{}, fmt.Errorf("cannot run %s: %w", c.Path, ctx.Err())
	}
	c.As, c.Limit = s.as, readerOutput
	if c.Path != host.Self { // which bounds itself
		c.Memory = readerMemory
	}
	c.Timeout = cmp.Or(s.w.Timeout, c.Timeout, readerTimeout)
	r, err := s.w.Host.Run(ctx, c)
	if err == nil && r.Truncated {
		err = fmt.Errorf("%s said more than %d bytes", c.Path, readerOutput)
	}
	return r, err
}

// words returns the first line of an output that says something, for people.
func words(outputs ...[]byte) string {
	for _, out := range outputs {
		for line := range strings.Lines(string(out)) {
			if line = strings.TrimSpace(line); line != "" {
				return root.Safe(line, maxWords)
			}
		}
	}
	return "it says nothing"
}

// blocks returns the roots of an output that is certificates and nothing
// broken.
func blocks(out []byte) ([]root.Fingerprint, error) {
	found, _ := root.Scan(out)
	if n := strings.Count(string(out), "-----BEGIN CERTIFICATE-----"); n != len(found) {
		return nil, fmt.Errorf("its answer has %d blocks of which %d are certificates", n, len(found))
	}
	var fps []root.Fingerprint
	for _, b := range found {
		fps = append(fps, b.Fingerprint)
	}
	return fps, nil
}

func (s *sitting) listing(p trust.Part) (Listing, error) {
	all, err := s.list()
	if err != nil {
		return Listing{}, err
	}
	i := slices.IndexFunc(all, func(l Listing) bool { return l.Part == p.Name && l.Path == p.Path })
	if i < 0 {
		return Listing{}, fmt.Errorf("our own child says nothing of %s", p.Path)
	}
	return all[i], nil
}
