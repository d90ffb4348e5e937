package dependent

import (
	"bytes"
	"fmt"
	"path"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust/root"
)

// use says what a file is to a server.
type use int

const (
	served  use = iota // its first certificate is the server's
	between            // certificates that are sent besides
	strewn             // a file of a folder: whatever is no CA's
)

// held is a server's certificate with those behind it.
type held struct {
	at    place
	path  string
	chain []*root.Certificate
}

// holders gathers what files hold.
type holders struct {
	served  []held
	between []*root.Certificate // of issuing CAs, each once
	known   map[root.Fingerprint]bool
	taken   map[string]bool // paths with their server, for folders the path alone
	over    bool
}

// Forms of key stores that are recognised and not read.
var (
	magicJKS   = []byte{0xfe, 0xed, 0xfe, 0xed}
	magicJCEKS = []byte{0xce, 0xce, 0xce, 0xce}
)

// take reads a file with certificates.
func (s *search) take(at place, file string, u use) {
	key := at.server + "\x00" + file
	if s.holder.taken[key] || u == strewn && s.holder.taken[file] {
		return
	}
	s.holder.taken[key], s.holder.taken[file] = true, true
	data, err := s.read(file, maxHolder)
	if err != nil {
		s.failed(at, file, err)
		return
	}
	defer clear(data) // a key may stand in it
	switch {
	case bytes.HasPrefix(data, magicJKS):
		s.takeStore(at, file, data)
	case bytes.HasPrefix(data, magicJCEKS):
		s.missed(at, file, NotRead, "key stores of the form JCEKS are not inspected")
	default:
		s.takeBlocks(at, file, data, u)
	}
}

// takeStore takes the chains behind the private keys of a Java key store.
func (s *search) takeStore(at place, file string, data []byte) {
	chains, err := root.KeyChains(data)
	if err != nil {
		s.missed(at, file, NotRead, "this Java key store cannot be read to its end: "+err.Error())
	}
	for _, c := range chains {
		if certs := s.certificates(c.Certificates); len(certs) > 0 {
			s.keep(held{at, file + "#" + root.Safe(c.Alias, maxAlias), certs})
		}
	}
}

// maxAlias bounds an alias on screens.
const maxAlias = 64

// takeBlocks takes what a file of PEM or DER holds. Blocks with keys in them
// are passed over by [root.Scan], which returns no byte of them.
func (s *search) takeBlocks(at place, file string, data []byte, u use) {
	blocks, faults := root.Scan(data)
	if len(blocks) == 0 {
		s.without(at, file, faults, u)
		return
	}
	var ders [][]byte
	for _, b := range blocks {
		ders = append(ders, b.DER)
	}
	certs := s.certificates(ders)
	switch {
	case len(certs) == 0:
		if u != strewn {
			s.missed(at, file, NotRead, "no certificate in it can be followed")
		}
	case u == between:
		s.stock(certs)
	case u == served:
		s.keep(held{at, file, certs})
	default:
		for i, c := range certs {
			if c.Role() == root.RoleServer {
				s.keep(held{at, file, append([]*root.Certificate{c}, slices.Concat(certs[:i], certs[i+1:])...)})
			}
		}
		s.stock(certs)
	}
}

// without tells of a file in which there is no certificate: where somebody named
// it, and where it is a key store of another form.
func (s *search) without(at place, file string, faults []root.Fault, u use) {
	has := func(code string) bool {
		return slices.ContainsFunc(faults, func(f root.Fault) bool { return f.Code == code })
	}
	switch {
	case has("pkcs12-store"):
		s.missed(at, file, NotRead, "PKCS#12, not inspected: it is encrypted with a password")
	case has("pkcs7"):
		s.missed(at, file, NotRead, "PKCS#7, not inspected")
	case u != strewn && !has("private-key"): // a key may stand in a file of its own among them
		s.missed(at, file, NotRead, "there is no certificate in it")
	}
}

// certificates follows the frames, each certificate once; bytes are copied out
// of the file.
func (s *search) certificates(ders [][]byte) []*root.Certificate {
	var certs []*root.Certificate
	seen := map[root.Fingerprint]bool{}
	for _, der := range ders {
		c, err := root.Parse(bytes.Clone(der))
		if err == nil && !seen[c.Fingerprint()] {
			seen[c.Fingerprint()] = true
			certs = append(certs, c)
		}
	}
	return certs
}

// maxSent is how many certificates of a file count as sent with the first.
const maxSent = 30

// keep keeps a server's certificate and what stands behind it.
func (s *search) keep(h held) {
	if len(s.holder.served) == maxFound {
		if !s.holder.over {
			s.holder.over = true
			s.missed(h.at, h.path, TooMuch, fmt.Sprintf("more than %d certificates of servers", maxFound))
		}
		return
	}
	s.stock(h.chain)
	h.chain = h.chain[:min(len(h.chain), maxSent)]
	s.holder.served = append(s.holder.served, h)
}

// stock keeps the certificates of CAs by which a chain may go.
func (s *search) stock(certs []*root.Certificate) {
	for _, c := range certs {
		if len(s.holder.between) == maxBetween || c.Role() == root.RoleServer || c.Role() == root.RoleRoot || s.holder.known[c.Fingerprint()] {
			continue
		}
		s.holder.known[c.Fingerprint()] = true
		s.holder.between = append(s.holder.between, c)
	}
}

// folder looks through the files of a folder, not of those below it.
func (s *search) folder(dir string, optional bool) {
	p := place{}
	for _, e := range s.entriesIf(p, dir, optional) {
		file := path.Join(dir, e)
		fi, err := s.host.Stat(file)
		switch {
		case err != nil:
			s.failed(p, file, err)
		case fi.Mode().IsRegular():
			s.take(p, file, strewn)
		}
	}
}

// Files beside the certificates of a folder, and the second names by which one
// stands for several (docs.haproxy.org, "crt").
var (
	asideShelf = []string{".key", ".issuer", ".ocsp", ".sctl"}
	moreShelf  = []string{".rsa", ".ecdsa", ".dsa"}
)

// shelf takes a file, or each file of a folder, as a server's certificate.
func (s *search) shelf(at place, name string) {
	fi, err := s.host.Stat(name)
	if err == nil && fi.IsDir() {
		for _, e := range s.entries(at, name) {
			if !strings.HasPrefix(e, ".") && !slices.Contains(asideShelf, path.Ext(e)) {
				s.take(at, path.Join(name, e), served)
			}
		}
		return
	}
	some := false
	for _, more := range moreShelf {
		if _, err := s.host.Stat(name + more); err == nil {
			some = true
			s.take(at, name+more, served)
		}
	}
	if !some || err == nil {
		s.take(at, name, served)
	}
}
