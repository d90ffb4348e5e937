package reader

import (
	"context"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
)

// listArg in place of an account's name makes the child of [Command] list what
// it reads of a store, rather than try claims.
const listArg = "--list"

// Child is the body of [Command], given its arguments.
func Child(args []string, in io.Reader, out io.Writer) error {
	if len(args) == 1 && args[0] == listArg {
		return list(in, out)
	}
	if len(args) != 1 {
		return fmt.Errorf("%s takes one argument, not %d", Command, len(args))
	}
	return Answer(args[0], in, out)
}

// asked is what the child is to list.
type asked struct {
	Part string `json:"part"`
	Path string `json:"path"`
}

// Listing is what Go's own library reads of one part.
type Listing struct {
	Part    string                      `json:"part"`
	Path    string                      `json:"path"`
	Roots   []root.Fingerprint          `json:"roots,omitempty"`
	Names   map[string]root.Fingerprint `json:"names,omitempty"` // a folder's lookup names, with the first certificate of each
	Refused string                      `json:"refused,omitempty"`
	Denied  bool                        `json:"denied,omitempty"`
}

// list is the body of that child: it reads the parts that in names, with the
// rights that the process has, and writes the listings to out. It bounds the
// memory of the process for good.
func list(in io.Reader, out io.Writer) error {
	if err := host.Bound(readerMemory); err != nil && !errors.Is(err, host.ErrUnsupported) {
		return err
	}
	var parts []asked
	if err := trust.Receive(in, MaxQuestion, &parts); err != nil {
		return fmt.Errorf("cannot read what is to be listed: %w", err)
	}
	l := lister{}
	all := make([]Listing, 0, len(parts))
	for _, p := range parts {
		all = append(all, l.list(p))
	}
	return json.NewEncoder(out).Encode(all)
}

// lister remembers what Go's parser made of each certificate, nil where it
// refused it: most stand in several files.
type lister map[root.Fingerprint]*x509.Certificate

func (l lister) list(p asked) Listing {
	out := Listing{Part: p.Part, Path: p.Path}
	var err error
	switch p.Part {
	case trust.LinksPart:
		err = l.folder(&out)
	case trust.PlatformPart:
		out.Roots, err = listPlatform()
	default:
		err = l.file(&out)
	}
	if err != nil {
		out.Refused, out.Denied = explain(err), errors.Is(err, fs.ErrPermission)
	}
	out.Roots = trust.SortRoots(out.Roots)
	return out
}

// file reads the bundle. What is no text at all, as a Java key store, is only
// opened.
func (l lister) file(out *Listing) error {
	data, err := readBounded(out.Path)
	if err != nil || out.Part != trust.BundlePart {
		return err
	}
	out.Roots = l.pem(data)
	ours, theirs := x509.NewCertPool(), x509.NewCertPool()
	theirs.AppendCertsFromPEM(data)
	for _, fp := range out.Roots {
		ours.AddCert(l[fp])
	}
	if !ours.Equal(theirs) { // our loop does not do what Go's does any more
		return fmt.Errorf("crypto/x509 reads other certificates of it than were listed")
	}
	return nil
}

// pem lists what CertPool.AppendCertsFromPEM takes (crypto/x509, cert_pool.go):
// blocks that are called CERTIFICATE, without headers, and that parse. Others
// are passed over.
func (l lister) pem(data []byte) (fps []root.Fingerprint) {
	for {
		var b *pem.Block
		if b, data = pem.Decode(data); b == nil {
			return fps
		}
		if b.Type != "CERTIFICATE" || len(b.Headers) != 0 {
			continue
		}
		fp := root.Of(b.Bytes)
		c, seen := l[fp]
		if !seen {
			c, _ = x509.ParseCertificate(b.Bytes)
			l[fp] = c
		}
		if c != nil {
			fps = append(fps, fp)
		}
	}
}

// lookupName is what a lookup by the hash of a subject goes by: X509_LOOKUP_hash_dir(3).
var lookupName = regexp.MustCompile(`^[0-9a-f]{8}\.[0-9]{1,5}$`)

// folder reads every file of the folder, as Go does (crypto/x509,
// root_unix.go): what cannot be read is passed over.
func (l lister) folder(out *Listing) error {
	paths, err := files(out.Path)
	if err != nil {
		return err
	}
	out.Names = map[string]root.Fingerprint{}
	read := map[string][]root.Block{} // by what a name leads to
	for _, path := range paths {
		info, err := os.Stat(path)
		if err != nil || !info.Mode().IsRegular() {
			continue // nothing, or what would make us wait
		}
		real, err := filepath.EvalSymlinks(path)
		if err != nil {
			continue
		}
		found, seen := read[real]
		if !seen {
			data, err := readBounded(real)
			if err != nil {
				continue
			}
			found, _ = root.Scan(data)
			read[real] = found
			out.Roots = append(out.Roots, l.pem(data)...)
		}
		if name := filepath.Base(path); lookupName.MatchString(name) && len(found) > 0 {
			out.Names[name] = found[0].Fingerprint
		}
	}
	return nil
}

// askOurselves runs the child.
func (s *sitting) askOurselves(ctx context.Context) ([]Listing, error) {
	var parts []asked
	for _, p := range s.parts {
		parts = append(parts, asked{p.Name, p.Path})
	}
	question, err := json.Marshal(parts)
	if err != nil {
		return nil, fmt.Errorf("cannot encode what is to be listed: %w", err)
	}
	r, err := s.run(ctx, host.Cmd{Path: host.Self, Args: []string{Command, listArg}, Stdin: question})
	if err != nil {
		return nil, err
	}
	if r.Code != 0 {
		return nil, fmt.Errorf("our own child ended with %d: %s", r.Code, words(r.Stderr))
	}
	var all []Listing
	if err := json.Unmarshal(r.Stdout, &all); err != nil {
		return nil, fmt.Errorf("cannot read the answer of our own child: %w", err)
	}
	return all, nil
}

func askGo(_ context.Context, s *sitting, _ string, p trust.Part) reading {
	l, err := s.listing(p)
	return reading{version: strings.TrimPrefix(runtime.Version(), "go"), roots: l.Roots, refused: l.Refused, denied: l.Denied, err: err}
}
