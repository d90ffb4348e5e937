package trust

import (
	"fmt"
	"io/fs"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust/root"
)

// PartKind tells what a part of a store is for.
type PartKind string

// Kinds of parts. A store needs its root in a source and in every compiled
// part that is present; a deselection list names roots that the platform
// leaves out.
const (
	Source   PartKind = "source"
	Compiled PartKind = "compiled"
)

// Part is one of the files or folders of which a store consists.
type Part struct {
	Name    string // "anchors", "bundle", "links", "java"
	Kind    PartKind
	Path    string
	Present bool     // absent parts do not count
	Count   int      // distinct certificates in it
	Blocked *Blocked // what keeps other accounts out of the whole part
	Unread  string   // why this observer could not read it; empty: it was read
	Opaque  string   // why nobody can tell what it holds, whatever his rights; the other parts are judged and changed without it
	Ruined  string   // why readers get less from the whole part than they should; a refresh mends it
	Faults  []Fault
}

// Blocked says at which path an account without privileges is stopped.
type Blocked struct {
	Path string
	Mode fs.FileMode
	Want fs.FileMode // bits that are missing

	ByHand bool // it is none of the store's own: no refresh adds the bits, a person has to
}

func (b *Blocked) String() string {
	return fmt.Sprintf("%s has mode %04o; other accounts need %04o", b.Path, b.Mode.Perm(), (b.Mode | b.Want).Perm())
}

// Remedy is the command that adds the bits.
func (b *Blocked) Remedy() string {
	who := "a+"
	for _, bit := range []struct {
		mask fs.FileMode
		name string
	}{{0o444, "r"}, {0o222, "w"}, {0o111, "x"}} {
		if b.Want&bit.mask != 0 {
			who += bit.name
		}
	}
	return "chmod " + who + " " + shellWord(b.Path)
}

// plain are the characters that a shell takes as they are.
const plain = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789/._-+:@,"

// shellWord writes a path so that it can be copied into a command line.
func shellWord(s string) string {
	if strings.Trim(s, plain) == "" {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}

// Fault is something wrong in a store, with what it costs and what to do.
type Fault struct {
	Code string `json:"code"`
	Path string `json:"path"`
	What string `json:"what"`
	Harm string `json:"harm,omitempty"`
	Next string `json:"next,omitempty"`

	Whose string `json:"whose,omitempty"` // who is to be asked: package, account and time of the last change
	Mend  bool   `json:"mend,omitempty"`  // a refresh of the store puts it right, although no root is due
}

// Origin says how a copy came into the store.
type Origin string

// Origins.
const (
	FromLocal     Origin = "local"            // a file of this machine, by whomever
	FromPackage   Origin = "package"          // owned by a package of the distribution or a vendor
	FromDirectory Origin = "directory policy" // pushed by a directory service
)

// Location is one copy of a root.
type Location struct {
	Part     string
	Path     string // with "#alias" for an entry of a key store
	Origin   Origin
	Package  string   // where Origin is FromPackage
	Blocked  *Blocked // what keeps other accounts from this copy
	Dangling bool     // a link whose target is gone: a name without a certificate
	Idle     string   // why no reader of this part finds this copy, in words; empty: it is found
	Shared   bool     // a file of the source or the links that holds other certificates too
	Named    bool     // a file of the source that is called as the store itself calls one for this root
}

// Entry is one certificate of a store with all its copies.
type Entry struct {
	Fingerprint root.Fingerprint
	DER         []byte
	Locations   []Location
	Blocked     bool // the store refuses this root by the platform's own means
}

// In returns the copies in one part.
func (e Entry) In(part string) []Location {
	var in []Location
	for _, l := range e.Locations {
		if l.Part == part {
			in = append(in, l)
		}
	}
	return in
}

// Snapshot is what a store held when it was observed.
type Snapshot struct {
	Store   StoreID
	Parts   []Part
	Entries map[root.Fingerprint]Entry
	Faults  []Fault // that belong to no part
}

// Part returns the part of that name.
func (s Snapshot) Part(name string) (Part, bool) {
	i := slices.IndexFunc(s.Parts, func(p Part) bool { return p.Name == name })
	if i < 0 {
		return Part{}, false
	}
	return s.Parts[i], true
}
