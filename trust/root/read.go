package root

import "io"

// Bounds of a root file. What is larger is refused by name of the bound.
const (
	MaxFile         = 1 << 20
	MaxCertificates = 100
)

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

// Refusal says why an input cannot be used and what to do.
type Refusal struct {
	Code   string // "private-key", "pkcs12", "web-page", "empty", "too-large", "trusted-certificate", "csr", ...
	Reason string
	Remedy string
	Source string // the standard or measurement behind it, may be empty
}

func (r *Refusal) Error() string { return r.Reason + "; " + r.Remedy }

// Read reads a root file of at most MaxFile bytes, recognised by content. The
// error is a *Refusal.
func Read(data []byte) (File, error) { panic("being written") }

// ReadFrom reads at most MaxFile+1 bytes and then does as Read does.
func ReadFrom(r io.Reader) (File, error) { panic("being written") }

// Roots returns the items that are roots.
func (f File) Roots() []Item { panic("being written") }
