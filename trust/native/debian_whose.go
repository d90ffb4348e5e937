package native

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"path"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
)

// whose adds to the faults of a file of the source whose it is and how to go
// on. What is wrong with a neighbour's file does not stop ours and stays out of
// the store that we compile; the platform's own refresh takes it in.
func (b *builder) whose(f *source, fs []trust.Fault) []trust.Fault {
	if len(fs) == 0 {
		return fs
	}
	who, ask := b.s.d.ownerOf(f), ""
	if f.vendor == "" && path.Base(f.path) != b.ownFile(f) {
		ask = "anchorhold keeps that out of the store, the platform's own refresh does not: "
	}
	for i := range fs {
		fs[i].Whose = who
		if slices.Contains(ruinous, fs[i].Code) {
			fs[i].Next = ask + fs[i].Next
		}
	}
	return fs
}

// exposed tells of a local file that somebody without privileges can exchange:
// his own, one behind a link into his folder, or one that every account may
// write. What it holds now is placed and counts; what it will hold is his say.
func (b *builder) exposed(f *source) []trust.Fault {
	var x *host.Exposed
	if f.vendor != "" {
		return nil
	}
	if _, err := b.s.d.Host.Guarded(f.path); !errors.As(err, &x) {
		return nil
	}
	return []trust.Fault{{Code: "exposed", Path: f.path, Whose: b.s.d.ownerOf(f),
		What: "an account without privileges can put another certificate in its place: " + x.Path + " " + x.Why,
		Harm: "it decides what every program of this machine trusts after the next refresh",
		Next: "put a copy that belongs to root in its place, or let the policy place the root itself (own = true)"}}
}

// ownFile is the name that the file would have if it were ours.
func (b *builder) ownFile(f *source) string {
	if len(f.blocks) == 0 {
		return ""
	}
	return ownName(f.blocks[0].Fingerprint) + ".crt"
}

// ownerOf says whose a file is, for whoever has to ask somebody.
func (d *Debian) ownerOf(f *source) string {
	if f.origin == trust.FromPackage {
		return "of package " + f.pkg
	}
	fi, err := d.Host.Stat(f.path)
	if err != nil {
		return ""
	}
	who := "no package's"
	if pkg := d.packageOf(f.path); pkg != "" {
		who = "of package " + pkg
	}
	if owner := d.Host.OwnerOf(fi); owner != "" {
		who += ", owned by " + root.Safe(owner, maxOwner)
	}
	return fmt.Sprintf("%s, and was changed last on %s", who, fi.ModTime().UTC().Format("2006-01-02 15:04Z"))
}

// maxOwner bounds an account's name in a message, in characters.
const maxOwner = 60

// packageOf finds the package that brought a file, by dpkg's lists; "" where
// none did. It reads them all, so it is for files that are worth asking about.
func (d *Debian) packageOf(name string) string {
	entries, err := d.Host.ReadDir(d.Packages)
	if err != nil {
		return ""
	}
	left := int64(maxLists)
	for _, e := range entries {
		list, ok := strings.CutSuffix(e.Name(), ".list")
		if !ok || left <= 0 {
			continue
		}
		if d.lists(e.Name(), name, &left) {
			pkg, _, _ := strings.Cut(list, ":") // "name:arch" for some
			return pkg
		}
	}
	return ""
}

// lists reports whether one package's list names a file.
func (d *Debian) lists(list, name string, left *int64) bool {
	f, err := d.Host.Open(path.Join(d.Packages, list))
	if err != nil {
		return false
	}
	defer f.Close()
	in := &io.LimitedReader{R: f, N: *left}
	defer func() { *left = in.N }()
	for lines := bufio.NewScanner(in); lines.Scan(); {
		if lines.Text() == name {
			return true
		}
	}
	return false
}
