package trust

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust/root"
)

// Names of the parts that readers tell apart. A store that has such a part
// calls it so.
const (
	BundlePart = "bundle" // one file of PEM blocks
	LinksPart  = "links"  // a folder in which roots are looked up by the hash of their subject
	JavaPart   = "java"   // a Java key store
)

// Testimony is what one reader found in one part. Exactly one of three things
// is true of it: it was heard (it has roots), the reader ran as it should and
// could not use the part (Refused), or nothing can be said (Unheard).
type Testimony struct {
	Reader  string             `json:"reader"`
	Version string             `json:"version,omitempty"`
	Program string             `json:"program,omitempty"` // what was run
	Part    string             `json:"part,omitempty"`    // empty: the reader reads none
	Path    string             `json:"path,omitempty"`    // what was read
	Roots   []root.Fingerprint `json:"-"`                 // what it accepts: sorted, each once
	Refused string             `json:"refused,omitempty"` // in the reader's words or ours
	Denied  bool               `json:"denied,omitempty"`  // Refused, for want of a right to read
	Unheard string             `json:"not_witnessed,omitempty"`
}

// Heard reports whether the reader found roots.
func (t Testimony) Heard() bool { return t.Refused == "" && t.Unheard == "" && len(t.Roots) > 0 }

// Witness asks the programs and libraries of a host what they read.
type Witness interface {
	// Attest has every reader read those compiled parts that are present, as
	// they lie there, with the rights of an account that has none. There is
	// one testimony for each reader and part, also for what could not be
	// asked.
	Attest(ctx context.Context, parts []Part) []Testimony
}

// Loss is what one reader had in one part and no longer has.
type Loss struct {
	Reader string
	Part   string
	Path   string
	Roots  []root.Fingerprint // sorted
	Had    int                // how many roots it read before
	Why    string             // the reader can use nothing of the part any more: its words
}

func (l Loss) String() string {
	if l.Why != "" {
		return fmt.Sprintf("%s can read none of its %d roots in %s %s (%s)", l.Reader, l.Had, l.Part, l.Path, l.Why)
	}
	names := make([]string, min(len(l.Roots), lossNames))
	for i := range names {
		names[i] = l.Roots[i].Short()
	}
	if more := len(l.Roots) - len(names); more > 0 {
		names = append(names, fmt.Sprintf("and %d more", more))
	}
	return fmt.Sprintf("%s misses %d of its %d roots in %s %s (%s)", l.Reader, len(l.Roots), l.Had, l.Part, l.Path, strings.Join(names, ", "))
}

// lossNames bounds how many roots a loss names on a screen.
const lossNames = 5

// Compare tells what readers lost between two testimonies: roots that no
// change of the batch takes out and whose leaving nobody explained. A reader
// that was not heard before cannot lose anything: a store that is broken for it
// must not keep away the change that mends it. One that was heard before and
// is not heard now has lost all: whoever calls asks again before believing it.
func Compare(before, after []Testimony, batch []Change, leaving []Leaving) []Loss {
	may := map[root.Fingerprint]bool{}
	for _, c := range batch {
		if c.Leaves() {
			may[c.Root.Fingerprint] = true
		}
	}
	for _, l := range leaving {
		if l.Explained != "" {
			may[l.Entry.Fingerprint] = true
		}
	}
	var losses []Loss
	for _, now := range after {
		was, known := find(before, now)
		if !known || !was.Heard() {
			continue
		}
		l := Loss{Reader: now.Reader, Part: now.Part, Path: now.Path, Had: len(was.Roots)}
		switch {
		case now.Refused != "":
			l.Why = now.Refused
		case now.Unheard != "":
			l.Why = now.Unheard
		}
		for _, fp := range was.Roots {
			if !may[fp] && !now.Reads(fp) {
				l.Roots = append(l.Roots, fp)
			}
		}
		if len(l.Roots) > 0 {
			losses = append(losses, l)
		}
	}
	return losses
}

// Reads reports whether the reader found that root.
func (t Testimony) Reads(fp root.Fingerprint) bool {
	if !t.Heard() {
		return false
	}
	_, ok := slices.BinarySearchFunc(t.Roots, fp, compareFingerprints)
	return ok
}

func compareFingerprints(a, b root.Fingerprint) int { return slices.Compare(a[:], b[:]) }

func find(all []Testimony, like Testimony) (Testimony, bool) {
	i := slices.IndexFunc(all, func(t Testimony) bool { return t.Reader == like.Reader && t.Part == like.Part })
	if i < 0 {
		return Testimony{}, false
	}
	return all[i], true
}

// Agreed returns the testimonies of a second asking about the same parts,
// without those that contradict the first: such a reader proves nothing, and
// counts as not heard.
func Agreed(first, second []Testimony) []Testimony {
	out := slices.Clone(second)
	for i, t := range out {
		was, known := find(first, t)
		if known && was.Heard() && t.Heard() && !slices.Equal(was.Roots, t.Roots) {
			out[i].Roots, out[i].Unheard = nil, fmt.Sprintf("contradicts itself: it read %d roots, then %d", len(was.Roots), len(t.Roots))
		}
	}
	return out
}

// Both returns the losses of the second asking that the first one told as
// well, by reader and part.
func Both(first, second []Loss) []Loss {
	return slices.DeleteFunc(slices.Clone(second), func(l Loss) bool {
		return !slices.ContainsFunc(first, func(f Loss) bool { return f.Reader == l.Reader && f.Part == l.Part })
	})
}

// SortRoots brings fingerprints into the order of [Testimony], each once.
func SortRoots(fps []root.Fingerprint) []root.Fingerprint {
	slices.SortFunc(fps, compareFingerprints)
	return slices.Compact(fps)
}

// Heard sums testimonies up for people, reader by reader in their order: who
// read something, who could use a part of the store not at all, and who was
// not heard, with the reasons.
func Heard(all []Testimony) (by, refused, unheard []string) {
	type voice struct {
		name             string
		heard            bool
		refused, unheard []string
	}
	var voices []*voice
	for _, t := range all {
		i := slices.IndexFunc(voices, func(v *voice) bool { return v.name == t.Reader })
		if i < 0 {
			i, voices = len(voices), append(voices, &voice{name: t.Reader})
		}
		v := voices[i]
		switch {
		case t.Heard():
			v.heard = true
		case t.Refused != "":
			v.refused = append(v.refused, cmp.Or(t.Part, "it")+": "+t.Refused)
		case !slices.Contains(v.unheard, t.Unheard):
			v.unheard = append(v.unheard, t.Unheard)
		}
	}
	for _, v := range voices {
		if v.heard {
			by = append(by, v.name)
		}
		if len(v.refused) > 0 {
			refused = append(refused, v.name+" ("+strings.Join(v.refused, "; ")+")")
		}
		if len(v.unheard) > 0 {
			unheard = append(unheard, v.name+" ("+strings.Join(v.unheard, "; ")+")")
		}
	}
	return by, refused, unheard
}
