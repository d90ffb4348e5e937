package native

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha1" // the platform names certificates by it
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// maxUserStores bounds how many accounts' stores are looked through.
const maxUserStores = 2000

// thumb is a certificate's name in the registry.
func thumb(der []byte) string { return fmt.Sprintf("%X", sha1.Sum(der)) }

// winState is what one look found.
type winState struct {
	snap    trust.Snapshot
	own     map[root.Fingerprint][]byte // in the physical Root that is written to
	refused map[root.Fingerprint]bool   // by any list
	blocked map[root.Fingerprint][]byte // in the list that is written to
}

// Observe implements [trust.Store]. It needs no privileges: what it may not
// read it names.
func (w *Windows) Observe(ctx context.Context) (trust.Snapshot, error) {
	st, err := w.look(ctx)
	if err != nil {
		return trust.Snapshot{}, err
	}
	return st.snap, nil
}

func (w *Windows) look(ctx context.Context) (*winState, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	st := &winState{own: map[root.Fingerprint][]byte{}, refused: map[root.Fingerprint]bool{}, blocked: map[root.Fingerprint][]byte{}}
	st.snap = trust.Snapshot{Store: w.ID(), Entries: map[root.Fingerprint]trust.Entry{}}
	w.lookRefused(st)
	w.lookSource(st)
	w.lookView(st)
	w.lookElsewhere(st)
	w.lookUsers(st)
	st.refuse()
	return st, nil
}

func (st *winState) add(der []byte, l trust.Location) root.Fingerprint {
	fp := root.Of(der)
	e := st.snap.Entries[fp]
	e.Fingerprint, e.DER = fp, bytes.Clone(der)
	e.Locations = append(e.Locations, l)
	st.snap.Entries[fp] = e
	return fp
}

// each calls f for every certificate below a key; broken ones are told as
// faults of the part, or passed over where part is nil.
func (w *Windows) each(at string, part *trust.Part, f func(k winKey, b blob)) {
	keys, err := w.api.Keys(at)
	if errors.Is(err, fs.ErrNotExist) {
		return
	}
	if err != nil {
		if part != nil {
			part.Unread = err.Error()
		}
		return
	}
	slices.SortFunc(keys, func(a, b winKey) int { return cmp.Compare(a.Name, b.Name) })
	for _, k := range keys {
		b, err := parseBlob(k.Blob)
		if err == nil {
			f(k, b)
		} else if part != nil {
			part.Faults = append(part.Faults, trust.Fault{Code: "unusable-entry", Path: at + `\Certificates\` + shown(k.Name),
				What: err.Error(), Harm: "programs pass it over", Next: "find out what wrote it, and delete the key"})
		}
	}
}

// shown keeps a key's name, which anybody with the right may choose, to what a
// screen can take.
func shown(name string) string {
	if len(name) > 64 {
		name = name[:64] + "..."
	}
	return strings.Trim(fmt.Sprintf("%q", name), `"`)
}

// idle says why programs pass an entry over, or "" where they do not.
func idle(k winKey, b blob) string {
	sum := sha1.Sum(b.der)
	own, has := b.props[propSHA1]
	usage, limited := b.props[propUsage]
	_, archived := b.props[propArchived]
	switch {
	case k.Name != thumb(b.der):
		return "its key is not called by the certificate's SHA-1, so programs pass it over"
	case has && !bytes.Equal(own, sum[:]):
		return "its SHA-1 property is wrong, so programs pass it over"
	case limited && !bytes.Contains(usage, oidServerAuth) && !bytes.Contains(usage, oidAnyUsage):
		return "somebody limited its purposes, and servers are none of them"
	case archived:
		return "somebody archived it"
	}
	return ""
}

// DER of id-kp-serverAuth and anyExtendedKeyUsage (RFC 5280 4.2.1.12).
var (
	oidServerAuth = []byte{6, 8, 0x2b, 6, 1, 5, 5, 7, 3, 1}
	oidAnyUsage   = []byte{6, 4, 0x55, 0x1d, 0x25, 0}
)

func (w *Windows) lookSource(st *winState) {
	part := trust.Part{Name: partSource, Kind: trust.Source, Path: winMachine + `\` + winRoot, Present: true}
	seen := map[root.Fingerprint]bool{}
	for i, r := range winRoots {
		at := r.home + `\` + r.store
		w.each(at, &part, func(k winKey, b blob) {
			l := trust.Location{Part: part.Name, Path: at + `\Certificates\` + shown(k.Name), Origin: r.origin, Package: r.whose, Idle: idle(k, b)}
			l.Named = i == 0 && bytes.Contains(b.props[propName], utf16le(winMark))
			fp := st.add(b.der, l)
			seen[fp] = true
			if i == 0 {
				st.own[fp] = bytes.Clone(b.der)
				if f, odd := noRoot(l.Path, b.der); odd {
					part.Faults = append(part.Faults, f)
				}
			}
		})
	}
	part.Count = len(seen)
	st.snap.Parts = append(st.snap.Parts, part)
}

// winMark begins the name for people of each root that we place.
const winMark = "anchorhold"

func utf16le(s string) []byte {
	var b []byte
	for _, r := range s {
		b = append(b, byte(r), byte(r>>8))
	}
	return b
}

// noRoot tells of a certificate among the roots that is none: servers that ask
// for client certificates then refuse good ones.
func noRoot(at string, der []byte) (trust.Fault, bool) {
	c, err := root.Parse(der)
	if err != nil || c.X509 == nil {
		return trust.Fault{}, false
	}
	// Old roots carry no word of what they are (version 1), and are roots.
	if bytes.Equal(c.X509.RawSubject, c.X509.RawIssuer) && (c.X509.IsCA || !c.X509.BasicConstraintsValid) {
		return trust.Fault{}, false
	}
	return trust.Fault{Code: "not-a-root", Path: at, What: "it is no root, yet lies among them",
		Harm: "a web server of this machine that asks for client certificates refuses good ones (403.16 and 403.7)",
		Next: "move it to the intermediate authorities of the computer (certlm.msc)"}, true
}

func (w *Windows) lookView(st *winState) {
	part := trust.Part{Name: trust.PlatformPart, Kind: trust.Compiled, Path: `LocalMachine\` + winRoot, Present: true}
	all, err := w.api.View(winRoot)
	if err != nil {
		part.Unread = err.Error()
	}
	seen := map[root.Fingerprint]bool{}
	for _, der := range all {
		fp := root.Of(der)
		if seen[fp] {
			continue
		}
		seen[fp] = true
		origin, whose := trust.FromLocal, ""
		for _, l := range st.snap.Entries[fp].In(partSource) {
			if origin, whose = l.Origin, l.Package; origin == trust.FromLocal {
				break
			}
		}
		st.add(der, trust.Location{Part: part.Name, Path: part.Path + `\` + thumb(der), Origin: origin, Package: whose})
	}
	part.Count = len(seen)
	st.snap.Parts = append(st.snap.Parts, part)
}

func (w *Windows) lookRefused(st *winState) {
	for i, home := range []string{winMachine, winPolicies, winEnterprise} {
		w.each(home+`\`+winDisallowed, nil, func(k winKey, b blob) {
			fp := root.Of(b.der)
			st.refused[fp] = true
			if i == 0 {
				st.blocked[fp] = bytes.Clone(b.der)
			}
		})
	}
	if all, err := w.api.View(winDisallowed); err == nil {
		for _, der := range all {
			st.refused[root.Of(der)] = true
		}
	}
}

// refuse makes what a list refuses of no effect. A copy of this machine stays
// to be seen: a block takes it out. What a directory or the vendor brings
// cannot be taken out, and Windows refuses it.
func (st *winState) refuse() {
	for fp := range st.refused {
		e := st.snap.Entries[fp]
		local := slices.ContainsFunc(e.Locations, func(l trust.Location) bool { return l.Part == partSource && l.Origin == trust.FromLocal })
		var kept []trust.Location
		for _, l := range e.Locations {
			if l.Part == partSource || l.Part == trust.PlatformPart {
				if !local || l.Part == partSource && l.Origin != trust.FromLocal {
					continue
				}
				l.Idle = "this machine's list of untrusted certificates refuses it"
			}
			kept = append(kept, l)
		}
		e.Fingerprint, e.Locations, e.Blocked = fp, kept, true
		if e.DER == nil {
			e.DER = st.blocked[fp]
		}
		if e.DER != nil {
			st.snap.Entries[fp] = e
		}
	}
}
