package reader

import (
	"bytes"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// Bounds of what a child takes in and reads, in bytes and files.
const (
	MaxQuestion = 32 << 20
	MaxStore    = 64 << 20
	MaxEntries  = 20_000
)

// Answer is the body of the child: it reads claims from in, tries each with
// the rights that the process has, and writes the proofs to out.
func Answer(account string, in io.Reader, out io.Writer) error {
	var claims []trust.Claim
	if err := trust.Receive(in, MaxQuestion, &claims); err != nil {
		return fmt.Errorf("cannot read the claims: %w", err)
	}
	return json.NewEncoder(out).Encode(Try(account, claims))
}

// Try tries claims with the rights of this process.
func Try(account string, claims []trust.Claim) []trust.Proof {
	s := shelf{}
	s.fetch(claims)
	proofs := make([]trust.Proof, 0, len(claims))
	for _, c := range claims {
		p := trust.Proof{Store: c.Store, Root: c.Root.Fingerprint, Account: account}
		if c.Gone {
			s.gone(c, &p)
		} else {
			s.there(c, &p)
		}
		p.Holds = len(p.Failures) == 0 && p.Unable == ""
		proofs = append(proofs, p)
	}
	return proofs
}

// shelf keeps what was read, so that many claims about one bundle read it once.
type shelf map[string]*volume

type volume struct {
	data   []byte
	blocks map[root.Fingerprint][]byte
	read   [][]byte // what a program takes out of data, see taken
	err    error
}

// fetch reads the large files that the claims are about, side by side.
func (s shelf) fetch(claims []trust.Claim) {
	var wg sync.WaitGroup
	for _, c := range claims {
		for _, part := range c.Parts {
			if s[part.Path] != nil || part.Name == trust.PlatformPart || isFolder(part.Path) {
				continue
			}
			v := &volume{}
			s[part.Path] = v
			wg.Go(func() {
				*v = *load(part.Path)
				v.taken()
			})
		}
	}
	wg.Wait()
}

func (s shelf) open(path string) *volume {
	if s[path] == nil {
		s[path] = load(path)
	}
	return s[path]
}

func load(path string) *volume {
	v := &volume{blocks: make(map[root.Fingerprint][]byte)}
	if v.data, v.err = readBounded(path); v.err != nil {
		return v
	}
	found, _ := root.Scan(v.data)
	for _, b := range found {
		v.blocks[b.Fingerprint] = b.DER
	}
	return v
}

// taken returns the certificates that a program takes out of the volume: the
// blocks that [x509.CertPool.AppendCertsFromPEM] takes, or, without PEM, the
// entries of a key store.
func (v *volume) taken() [][]byte {
	if v.read != nil {
		return v.read
	}
	for rest := v.data; len(rest) > 0; {
		var b *pem.Block
		if b, rest = pem.Decode(rest); b == nil {
			break
		}
		if b.Type == "CERTIFICATE" && len(b.Headers) == 0 {
			v.read = append(v.read, b.Bytes)
		}
	}
	if v.read == nil {
		v.read = slices.Collect(maps.Values(v.blocks))
	}
	return v.read
}

// trusting returns the pool that a program gets from the volume, without what
// no chain from these certificates can lead to: parsing a whole store took
// longer than everything else. A chain goes from a certificate's issuer to the
// same bytes as a subject (RFC 5280 6.1, and how [x509.Certificate.Verify]
// looks parents up).
func (v *volume) trusting(chain []*x509.Certificate) *x509.CertPool {
	pool := x509.NewCertPool()
	for _, der := range v.taken() {
		if !slices.ContainsFunc(chain, func(c *x509.Certificate) bool { return bytes.Contains(der, c.RawIssuer) }) {
			continue
		}
		if c, err := x509.ParseCertificate(der); err == nil {
			pool.AddCert(c)
		}
	}
	return pool
}

func readBounded(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	var buf bytes.Buffer
	if fi, err := f.Stat(); err == nil {
		buf.Grow(int(min(fi.Size(), MaxStore)) + bytes.MinRead) // in one go: growing would copy all of it several times
	}
	_, err = buf.ReadFrom(io.LimitReader(f, MaxStore+1))
	if err == nil && buf.Len() > MaxStore {
		err = fmt.Errorf("%s is larger than %d bytes", path, MaxStore)
	}
	return buf.Bytes(), err
}

func (s shelf) there(c trust.Claim, p *trust.Proof) {
	fp := c.Root.Fingerprint
	for _, part := range c.Parts {
		if part.Name == trust.PlatformPart {
			by, err := askPlatform(c)
			if err != nil {
				p.Failures = append(p.Failures, fmt.Sprintf("with %s: %v", part.Path, err))
			} else {
				p.By = by
			}
			continue
		}
		paths := []string{part.Path}
		if isFolder(part.Path) {
			paths = paths[:0]
			for _, l := range c.Copies {
				if l.Part == part.Name && !l.Dangling {
					paths = append(paths, l.Path)
				}
			}
		}
		var held *volume
		var stop error
		for _, path := range paths {
			v := s.open(path)
			if v.err != nil {
				stop = v.err
			} else if _, ok := v.blocks[fp]; ok && held == nil {
				held = v
			}
		}
		switch {
		case held != nil && (stop == nil || !isFolder(part.Path)):
			if by, err := validate(c, held); err != nil {
				p.Failures = append(p.Failures, fmt.Sprintf("with %s: %v", part.Name, err))
			} else {
				p.By = by
			}
		case stop != nil:
			p.Failures = append(p.Failures, fmt.Sprintf("cannot read %s: %s", part.Name, explain(stop)))
		default:
			p.Failures = append(p.Failures, fmt.Sprintf("does not find the root in %s (%s)", part.Name, part.Path))
		}
	}
	if len(c.Parts) == 0 {
		p.Unable = "the store has no compiled part to read"
	}
}

// gone confirms absence: nothing that a part holds may be the root, and what
// cannot be read cannot be confirmed.
func (s shelf) gone(c trust.Claim, p *trust.Proof) {
	for _, part := range c.Parts {
		if part.Name == trust.PlatformPart {
			if _, err := askPlatform(c); err != nil {
				p.Failures = append(p.Failures, fmt.Sprintf("with %s: %v", part.Path, err))
			}
			continue
		}
		paths := []string{part.Path}
		if isFolder(part.Path) {
			var err error
			if paths, err = files(part.Path); err != nil {
				p.Failures = append(p.Failures, fmt.Sprintf("cannot list %s: %s", part.Name, explain(err)))
				continue
			}
		}
		for _, path := range paths {
			v := s.open(path)
			switch {
			case errors.Is(v.err, fs.ErrNotExist): // a dangling link holds nothing
			case v.err != nil && !isFolder(part.Path):
				p.Failures = append(p.Failures, fmt.Sprintf("cannot read %s: %s", part.Name, explain(v.err)))
			case v.err == nil:
				if _, ok := v.blocks[c.Root.Fingerprint]; ok {
					p.Failures = append(p.Failures, fmt.Sprintf("still finds the root in %s: %s", part.Name, path))
				}
			}
		}
	}
	p.By = "absence"
}

func files(dir string) ([]string, error) {
	f, err := os.Open(dir)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	entries, err := f.ReadDir(MaxEntries)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	var paths []string
	for _, e := range entries {
		if !e.IsDir() {
			paths = append(paths, filepath.Join(dir, e.Name()))
		}
	}
	return paths, nil
}

func isFolder(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}

// validate builds a chain to the root with the volume that the account read.
// Without a sample in the policy the root stands for itself: that shows that
// the volume holds it and that its dates are good, no more.
func validate(c trust.Claim, v *volume) (by string, err error) {
	chain, by, err := sample(c)
	if err != nil {
		return "", err
	}
	leaf, between := chain[0], x509.NewCertPool()
	for _, cert := range chain[1:] {
		between.AddCert(cert)
	}
	chains, err := leaf.Verify(x509.VerifyOptions{
		Roots: v.trusting(chain), Intermediates: between, CurrentTime: at(c, leaf),
		KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageAny},
	})
	if err != nil {
		return "", fmt.Errorf("cannot validate %s: %w", by, err)
	}
	for _, ch := range chains {
		if root.Of(ch[len(ch)-1].Raw) == c.Root.Fingerprint {
			return by, nil
		}
	}
	return "", fmt.Errorf("%s validates, yet by another root", by)
}

// sample returns what is to be validated, with what stands between it and the
// root.
func sample(c trust.Claim) (chain []*x509.Certificate, by string, err error) {
	if len(c.Sample) == 0 {
		leaf, err := x509.ParseCertificate(c.Root.DER)
		return []*x509.Certificate{leaf}, "the root itself", err
	}
	for _, der := range c.Sample {
		cert, err := x509.ParseCertificate(der)
		if err != nil {
			return nil, "", fmt.Errorf("cannot read the policy's sample: %w", err)
		}
		chain = append(chain, cert)
	}
	by = "its sample"
	if d, err := root.Parse(c.Sample[0]); err == nil {
		by = "the sample " + d.Name()
	}
	return chain, by, nil
}

// at is the time of judgement. A sample or a root that has ended still shows
// whether the root is read; that it has ended is told elsewhere.
func at(c trust.Claim, leaf *x509.Certificate) time.Time {
	when := c.At
	if when.After(leaf.NotAfter) {
		when = leaf.NotAfter
	}
	if top, err := x509.ParseCertificate(c.Root.DER); err == nil && when.After(top.NotAfter) {
		when = top.NotAfter
	}
	return when
}
