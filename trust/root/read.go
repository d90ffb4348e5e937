package root

import (
	"bytes"
	"fmt"
	"io"
)

// Bounds of a root file. What is larger is refused by name of the bound.
const (
	MaxFile         = 1 << 20
	MaxCertificates = 100
)

// maxWrapping bounds how many wrappings, such as base64, are taken off.
const maxWrapping = 3

// maxNotes bounds the notes on one file.
const maxNotes = 50

// File is what a root file holds.
type File struct {
	Form  string // "PEM", "DER", "PKCS#7", ... in words for people
	Items []Item // every certificate, in the order of the file, each fingerprint once
	Notes []string
}

// Item is one certificate of a root file.
type Item struct {
	Cert    *Certificate
	Role    Role
	Copies  int      // how often it stands in the file
	Refused *Refusal // why it cannot be placed as a root, nil for a root
}

// ReadFrom reads at most MaxFile+1 bytes and then does as Read does.
func ReadFrom(r io.Reader) (File, error) {
	data, err := io.ReadAll(io.LimitReader(r, MaxFile+1))
	if err != nil {
		return File{}, &Refusal{Code: "unreadable", Reason: "the file cannot be read: " + Safe(err.Error(), maxNameText),
			Remedy: "give a file that this account can read"}
	}
	return Read(data)
}

// Read reads a root file of at most MaxFile bytes, recognised by content. It
// fails only where no certificate can be taken at all or the whole file is to
// be refused; certificates that are no roots are items with Refused set. The
// error is a *Refusal. No byte of a private key is in it or in the File.
func Read(data []byte) (File, error) {
	if len(data) > MaxFile {
		return File{}, refuseLarge()
	}
	r := reader{seen: map[Fingerprint]int{}}
	if err := r.read(data, 0); err != nil {
		return File{}, err
	}
	if len(r.file.Items) == 0 {
		return File{}, r.nothing(data)
	}
	return r.file, nil
}

// Roots returns the items that are roots.
func (f File) Roots() []Item {
	var out []Item
	for _, i := range f.Items {
		if i.Refused == nil {
			out = append(out, i)
		}
	}
	return out
}

// reader gathers a File.
type reader struct {
	file  File
	seen  map[Fingerprint]int // index into Items
	first *Refusal            // the first thing that is no certificate
}

func (r *reader) note(format string, args ...any) {
	if len(r.file.Notes) < maxNotes {
		r.file.Notes = append(r.file.Notes, fmt.Sprintf(format, args...))
	}
}

func (r *reader) form(f string) {
	if r.file.Form == "" {
		r.file.Form = f
	}
}

// miss keeps what could not be taken: a reason where nothing else is found, a
// note beside the certificates of the file.
func (r *reader) miss(no *Refusal) {
	if r.first == nil {
		r.first = no
	}
	r.note("%s", no.Reason)
}

// read takes one layer of the file. Its error refuses the file as a whole.
func (r *reader) read(data []byte, depth int) error {
	if form := keyInside(data); form != "" {
		return refuseKey(form)
	}
	if len(bytes.Trim(data, " \t\r\n\v\f\x00\ufeff")) == 0 {
		return refuseEmpty()
	}
	if bytes.HasPrefix(data, magicJKS) {
		return r.javaStore(data)
	}
	if h, ok := readHead(data); ok && h.tag == 0x30 && utf16Order(data) == noUTF16 {
		if done, err := r.der(data, "DER", depth); done || err != nil {
			return err
		}
	}
	if code, what, ok := sniffBinary(data); ok {
		r.miss(refuseKind(code, what))
		return nil
	}
	text, notes := plain(data)
	if form := keyInside(text); form != "" {
		return refuseKey(form)
	}
	if looksLikeWeb(text) {
		return refuseWeb()
	}
	found, err := r.pem(text, depth)
	if found {
		if distrusted().Match(text) {
			r.note("a p11-kit section of this file says x-distrusted: ask why before you trust what is in it")
		}
		for _, n := range notes {
			r.note("%s", n)
		}
	}
	if found || err != nil {
		return err
	}
	if inner, form := bareBase64(text); inner != nil && depth < maxWrapping {
		r.form(form)
		return r.read(inner, depth+1)
	}
	if code, what, ok := sniffText(text); ok {
		r.miss(refuseKind(code, what))
	}
	return nil
}

// distrusted is how p11-kit marks what is to be refused.
var distrusted = lazy(`(?m)^x-distrusted:\s*true`)

// pem takes every block of a text. found tells whether there was one.
func (r *reader) pem(text []byte, depth int) (found bool, err error) {
	line := 1
	for from, counted := 0, 0; ; {
		b, ok := nextPEM(text, from)
		if !ok {
			return found, nil
		}
		found, from = true, max(b.end, b.start+len(markBegin))
		line, counted = line+bytes.Count(text[counted:b.start], []byte{'\n'}), b.start
		if err := r.block(text, b, line, depth); err != nil {
			return true, err
		}
	}
}

// block takes one block of PEM, by what it holds before what it is called.
func (r *reader) block(text []byte, b pemBlock, line, depth int) error {
	if isKeyLabel(b.label) {
		return refuseKey("a private key block")
	}
	der, odd, ok := bodyBytes(text, b)
	if form := keyForm(der); form != "" {
		return refuseKey(form)
	}
	if b.label == "TRUSTED CERTIFICATE" {
		r.miss(refuseTrusted(line))
		return nil
	}
	if no := labelRefusal(b.label, line); no != nil {
		r.miss(no)
		return nil
	}
	switch {
	case ok && bytes.HasPrefix(bytes.TrimSpace(der), markBegin[:5]) && depth < maxWrapping:
		return r.read(der, depth+1) // base64 twice
	case !ok && b.fault == faultTruncated, ok && len(der) > 0 && b.fault == faultTruncated && !whole(der):
		r.miss(refuseTruncated(line))
		return nil
	case !ok:
		r.miss(refuseBase64(line))
		return nil
	case len(der) == 0:
		r.miss(refuseBlank(line))
		return nil
	}
	if !isPKCS7(der) {
		r.form("PEM")
	}
	taken, err := r.der(der, "PEM", depth)
	if err != nil || !taken {
		if err == nil {
			r.miss(refuseNoDER(line, der))
		}
		return err
	}
	r.oddities(b, line, odd)
	return nil
}

// oddities notes what was put right in a block.
func (r *reader) oddities(b pemBlock, line int, odd bool) {
	if b.label != "CERTIFICATE" {
		r.note("line %d: the block is labelled %s; it was taken by its content", line, Safe(b.label, maxName))
	}
	if b.fault == faultTruncated {
		r.note("line %d: the END marker is missing; the certificate itself is whole", line)
	}
	if b.fault == faultMarkers {
		r.note("line %d: the BEGIN and END markers differ", line)
	}
	if b.headers {
		r.note("line %d: header lines within the block were left out", line)
	}
	if odd {
		r.note("line %d: the base64 was put right (padding or signs around it)", line)
	}
}

// whole reports that the first element of DER is complete.
func whole(der []byte) bool {
	h, ok := readHead(der)
	return ok && !h.indefinite && h.length <= len(der)-h.size
}

// der takes DER: certificates one behind the other, or PKCS#7, or names what
// else it is. taken is false where it is none of these.
func (r *reader) der(data []byte, form string, depth int) (taken bool, err error) {
	switch {
	case isPKCS12(data):
		return true, refusePKCS12()
	case isPKCS7(data):
		r.form("PKCS#7 (" + form + ")")
		return true, r.pkcs7(data)
	}
	for n := 0; len(data) > 0; n++ {
		_, rest, ferr := frame(data)
		if ferr != nil {
			if n > 0 {
				return true, nil // counted as trailing bytes of the last one
			}
			no := derRefusal(data)
			if no != nil {
				r.miss(no)
			}
			return no != nil, nil
		}
		if form := keyForm(rest); form != "" {
			return true, refuseKey(form)
		}
		next := data
		if _, _, err := frame(rest); err == nil {
			next = data[:len(data)-len(rest)] // another certificate follows
		}
		r.form(form)
		if err := r.take(next); err != nil {
			return true, err
		}
		data = rest
	}
	return true, nil
}

// pkcs7 takes the certificates of a PKCS#7 message.
func (r *reader) pkcs7(data []byte) error {
	certs, err := pkcs7Certificates(data)
	if err != nil {
		return refusePKCS7(err)
	}
	if len(certs) == 0 {
		return refusePKCS7(fmt.Errorf("it holds no certificate"))
	}
	for _, c := range certs {
		if err := r.take(c); err != nil {
			return err
		}
	}
	return nil
}

// javaStore takes the trusted certificates of a Java key store.
func (r *reader) javaStore(data []byte) error {
	entries, err := readJKS(data)
	for _, e := range entries {
		if e.der == nil {
			return refuseKey("an entry of a Java key store")
		}
	}
	if err != nil {
		return refuseKind("java-keystore", "a Java key store that cannot be read to its end")
	}
	r.form("Java key store")
	for _, e := range entries {
		if err := r.take(e.der); err != nil {
			return err
		}
	}
	return nil
}

// take adds one certificate.
func (r *reader) take(data []byte) error {
	c, err := Parse(data)
	if err != nil {
		r.miss(refuseNoDER(0, data))
		return nil
	}
	fp := c.Fingerprint()
	if i, ok := r.seen[fp]; ok {
		r.file.Items[i].Copies++
		return nil
	}
	if len(r.file.Items) == MaxCertificates {
		return refuseMany()
	}
	if c.Trailing > 0 {
		r.note("%d bytes follow the certificate %s; they were left out", c.Trailing, fp.Short())
	}
	r.seen[fp] = len(r.file.Items)
	r.file.Items = append(r.file.Items, Item{Cert: c, Role: c.Role(), Copies: 1, Refused: c.refusal()})
	return nil
}

// nothing says why a file without any certificate is refused.
func (r *reader) nothing(data []byte) *Refusal {
	if r.first != nil {
		return r.first
	}
	return &Refusal{Code: "unknown-form", Reason: fmt.Sprintf("the file (%d bytes) holds no certificate in any form that is known: PEM, DER, PKCS#7, base64", len(data)),
		Remedy: "ask the CA's owner for the root as PEM or DER", Source: "RFC 7468; X.690"}
}
