package root

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"unicode/utf8"
)

var (
	magicJKS = []byte{0xfe, 0xed, 0xfe, 0xed}
)

// maxStoreEntries bounds the entries of one Java key store.
const maxStoreEntries = 20000

// maxStoreChain bounds the certificates behind one private key entry.
const maxStoreChain = 100

// javaEntry is one entry of a Java key store.
type javaEntry struct {
	alias      string
	der        []byte   // of a trusted certificate; nil for a private key
	kind       string   // "X.509" for certificates that are of use here
	chain      [][]byte // behind a private key, leaf first
	start, end int
}

// readJKS reads Sun's JKS form, versions 1 and 2, as JavaKeyStore.engineLoad
// of the OpenJDK does: big-endian, entries with tag 1 (private key and chain)
// or 2 (trusted certificate), a SHA-1 at the end which only a password can
// check and which is not needed to read. Entries read before an error count.
func readJKS(data []byte) (entries []javaEntry, err error) {
	r := javaReader{data: data, at: len(magicJKS)}
	version := r.uint32()
	if version != 1 && version != 2 {
		return nil, fmt.Errorf("it claims version %d; 1 and 2 are known", version)
	}
	count := r.uint32()
	if count > maxStoreEntries {
		return nil, fmt.Errorf("it claims %d entries; %d are read", count, maxStoreEntries)
	}
	for i := uint32(0); i < count && !r.short; i++ {
		e := javaEntry{start: r.at}
		tag := r.uint32()
		e.alias = r.text()
		r.take(8) // the date
		switch tag {
		case 1:
			r.take(r.uint32())
			chain := r.uint32()
			if chain > maxStoreChain {
				return entries, fmt.Errorf("entry %d claims a chain of %d certificates", i+1, chain)
			}
			for ; chain > 0; chain-- {
				if kind, der := r.certificate(version); isX509(kind) {
					e.chain = append(e.chain, der)
				}
			}
		case 2:
			e.kind, e.der = r.certificate(version)
		default:
			return entries, fmt.Errorf("entry %d has the unknown kind %d", i+1, tag)
		}
		if e.end = r.at; !r.short {
			entries = append(entries, e)
		}
	}
	if r.short {
		return entries, fmt.Errorf("it ends within entry %d of %d", len(entries)+1, count)
	}
	if rest := len(data) - r.at; rest < digestSize {
		return entries, fmt.Errorf("it ends within the digest behind its %d entries", count)
	}
	return entries, nil
}

// digestSize is the length of the SHA-1 that ends a key store.
const digestSize = 20

// javaReader reads what java.io.DataOutputStream writes.
type javaReader struct {
	data  []byte
	at    int
	short bool // the data ended too early
}

func (r *javaReader) take(n uint32) []byte {
	if r.short || int64(n) > int64(len(r.data)-r.at) {
		r.short = true
		return nil
	}
	b := r.data[r.at : r.at+int(n)]
	r.at += int(n)
	return b
}

func (r *javaReader) uint32() uint32 {
	b := r.take(4)
	if b == nil {
		return 0
	}
	return binary.BigEndian.Uint32(b)
}

// text reads writeUTF: two bytes of length, modified UTF-8.
func (r *javaReader) text() string {
	b := r.take(2)
	if b == nil {
		return ""
	}
	b = r.take(uint32(binary.BigEndian.Uint16(b)))
	b = bytes.ReplaceAll(b, []byte{0xc0, 0x80}, []byte{0}) // NUL in modified UTF-8
	return string(bytes.ToValidUTF8(b, []byte(string(utf8.RuneError))))
}

// certificate reads a certificate; version 1 names no type.
func (r *javaReader) certificate(version uint32) (kind string, der []byte) {
	kind = "X.509"
	if version == 2 {
		kind = r.text()
	}
	return kind, r.take(r.uint32())
}

func isX509(kind string) bool { return kind == "X.509" || kind == "X509" }

// KeyChain is what a Java key store holds behind one private key: what a server
// that uses the key sends.
type KeyChain struct {
	Alias        string   // as it stands there, see [Safe]
	Certificates [][]byte // DER, undecoded, leaf first
}

// KeyChains reads a Java key store of the form JKS and returns the certificates
// behind its private keys. It needs no password and returns no byte of a key.
// Chains that stand before an error are returned with it.
func KeyChains(data []byte) ([]KeyChain, error) {
	if !bytes.HasPrefix(data, magicJKS) {
		return nil, errors.New("it is no Java key store of the form JKS")
	}
	entries, err := readJKS(data)
	var chains []KeyChain
	for _, e := range entries {
		if e.der == nil && len(e.chain) > 0 {
			chains = append(chains, KeyChain{e.alias, e.chain})
		}
	}
	return chains, err
}

// javaStore scans a Java key store.
func (s *scanner) javaStore(data []byte) {
	entries, err := readJKS(data)
	for _, e := range entries {
		name := Safe(e.alias, maxName)
		if e.der == nil {
			s.fault(0, "private-key", "entry "+name+" of this key store is a private key")
			continue
		}
		one, rest, ferr := frame(e.der)
		if ferr != nil || !isX509(e.kind) {
			s.fault(0, "no-der", "entry "+name+" of this key store is no X.509 certificate")
			continue
		}
		if len(rest) > 0 {
			s.fault(0, "trailing-bytes", fmt.Sprintf("%d bytes follow the certificate of entry %s", len(rest), name))
		}
		s.blocks = append(s.blocks, Block{DER: one, Fingerprint: Of(one), Start: e.start, End: e.end, Alias: e.alias})
	}
	if err != nil {
		s.fault(0, "torn-store", "this Java key store cannot be read to its end: "+err.Error())
	}
}
