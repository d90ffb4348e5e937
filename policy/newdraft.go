package policy

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"anchorhold.test/anchorhold/trust/root"
)

// RootFile is a file with one or several roots.
type RootFile struct {
	Name string // as the draft is to name it
	Data []byte
}

// FoundRoot is a root that lies in a store of a host.
type FoundRoot struct {
	DER   []byte
	Where string // path or store, for people
}

const draftIntro = `The draft of a policy: which private roots hosts trust, where and when.
Check it, sign it, publish the signed file; hosts read nothing else.
What a draft leaves out stays on the hosts: only the standings "retired"
and "distrusted" take a root out.`

const draftHelp = `More that a [[root]] can say:
  standings = [
    { standing = "trusted", stage = "pilot" },
    { standing = "retired", stage = "all", deadline = 2026-12-31 },
  ]
  purposes = ["tls-server"]     also "tls-client", "email", "code"
  stores = ["machine"]
  succeeds = "label or SHA-256 of the root that this one takes over from"
  sample = "a-server-below-it.pem"     by which hosts prove the root
A part of the fleet:
  [[stage]]
  name = "pilot"
  labels = { site = "north" }
  percent = 10
  start = 2026-03-01
A service that must keep verifying:
  [[service]]
  name = "tide tables"
  address = "tides.harbour.test:443"`

// head writes what every draft begins with.
func (w *writer) head(d Document, above string) {
	w.comment(above)
	w.blank()
	w.text("name", d.Name)
	w.comment("Raise it with every policy that you sign.")
	w.key("version", fmt.Sprint(d.Version))
	w.comment("A policy must end; sign the next one before. Days, or a date.")
	w.key("expires", quote(fmt.Sprintf("%dd", DefaultLifetime/day)))
	w.text("contact", d.Contact)
	w.text("notes", d.Notes)
}

// NewDraft writes the first draft of a policy that trusts every root of the
// given files, commented. It fails where a file holds no root.
func NewDraft(name string, files []RootFile) ([]byte, error) {
	if !nameForm.MatchString(name) {
		return nil, refuse(CodeDraft, "name", "%s is not a policy's name: 1 to 32 of a-z, 0-9 and '-'", clip(name))
	}
	var w writer
	w.head(Document{Name: name, Version: 1}, draftIntro)
	seen := map[root.Fingerprint]bool{}
	labels := map[string]bool{}
	for _, f := range files {
		got, err := root.Read(f.Data)
		if err != nil {
			return nil, fmt.Errorf("cannot take %s into a draft: %w", clip(f.Name), err)
		}
		if len(got.Roots()) == 0 {
			return nil, refuse(CodeDraft, clip(f.Name), "there is no root in it: %s", got.Items[0].Refused.Reason)
		}
		for _, i := range got.Roots() {
			if fp := i.Cert.Fingerprint(); !seen[fp] {
				seen[fp] = true
				w.root(rootEntry{Root: newRoot(i.Cert, labels), file: f.Name, above: describe(i.Cert) +
					"\nThe SHA-256 is the file's own. Compare it with the CA's owner by another\nway than the file came, before you sign."})
			}
		}
	}
	w.blank()
	w.comment(draftHelp)
	return []byte(w.String()), nil
}

// DraftFromHost writes a draft of roots that were found on a host, and each
// certificate through write. No entry counts until somebody has confirmed its
// fingerprint: on the host it may have been put by anybody.
func DraftFromHost(name string, found []FoundRoot, write func(name string, data []byte) error) ([]byte, error) {
	if !nameForm.MatchString(name) {
		return nil, refuse(CodeDraft, "name", "%s is not a policy's name: 1 to 32 of a-z, 0-9 and '-'", clip(name))
	}
	var w writer
	w.head(Document{Name: name, Version: 1}, draftIntro+"\nThese roots were found on a host. For each, ask the CA's owner for the\nSHA-256 by another way; then remove its line 'confirmed = false'.")
	where := map[root.Fingerprint][]string{}
	for _, f := range found {
		fp := root.Of(f.DER)
		where[fp] = append(where[fp], f.Where)
	}
	labels := map[string]bool{}
	for _, f := range found {
		fp := root.Of(f.DER)
		places, first := where[fp]
		if !first {
			continue
		}
		delete(where, fp)
		cert, err := root.Parse(f.DER)
		if err != nil {
			return nil, fmt.Errorf("cannot take the certificate of %s into a draft: %w", clip(f.Where), err)
		}
		e := rootEntry{Root: newRoot(cert, labels), file: certificateFile("root", fp), unconfirmed: true,
			above: describe(cert) + "\nFound in " + strings.Join(places, ", ")}
		if err := write(e.file, cert.PEM()); err != nil {
			return nil, fmt.Errorf("cannot write %s: %w", e.file, err)
		}
		w.root(e)
	}
	return []byte(w.String()), nil
}

func newRoot(c *root.Certificate, labels map[string]bool) Root {
	r := Root{SHA256: c.Fingerprint(), Label: c.Name(), Purposes: []string{TLSServer}, Stores: []string{MachineStore},
		Standings: []Step{{Standing: Trusted, Stage: AllHosts}}}
	if labels[r.Label] {
		r.Label = clipRunes(r.Label, maxLabelText-9) + " " + r.SHA256.Short()[:8]
	}
	labels[r.Label] = true
	return r
}

func clipRunes(s string, n int) string {
	if runes := []rune(s); len(runes) > n {
		return string(runes[:n])
	}
	return s
}

// describe says of a certificate what helps a person to recognise it.
func describe(c *root.Certificate) string {
	s := c.SubjectText()
	if !c.NotAfter.IsZero() {
		s += "\nvalid " + c.NotBefore.UTC().Format(time.DateOnly) + " to " + c.NotAfter.UTC().Format(time.DateOnly)
	}
	return s + "\nIt may vouch for " + strings.Join(root.Vouches(c), "; ")
}

// Revert writes the draft that follows current and gives every root that
// earlier named its standings of then, with the certificates through write.
// Roots that earlier did not name stay as current has them: leaving them out
// would not take them off any host.
func Revert(current, earlier Document, write func(name string, data []byte) error) ([]byte, error) {
	if current.Name != earlier.Name {
		return nil, refuse(CodeWrongPolicy, "draft", "policy %q cannot go back to a version of %q", current.Name, earlier.Name)
	}
	next := current
	next.Version++
	var w writer
	w.head(next, fmt.Sprintf("Back to the standings of version %d of epoch %d, from version %d of epoch %d.\nCheck every entry before you sign: times that were ahead then may have passed.",
		earlier.Version, earlier.Epoch, current.Version, current.Epoch))
	stages, renamed := mergeStages(earlier, current)
	for _, s := range stages {
		w.stage(s)
	}
	for _, r := range earlier.Roots {
		e := rootEntry{Root: r}
		if now, ok := find(current, r.SHA256); ok && says(now, Distrusted) && !says(r, Distrusted) {
			e.unconfirmed = true
			e.above = "CAUTION: distrusted now. Going back needs somebody who knows that the reason\nis gone; remove the line 'confirmed = false' then."
		}
		if err := w.embed(e, write); err != nil {
			return nil, err
		}
	}
	for _, r := range current.Roots {
		if _, ok := find(earlier, r.SHA256); ok {
			continue
		}
		r = r.clone()
		for i, s := range r.Standings {
			if to, ok := renamed[s.Stage]; ok {
				r.Standings[i].Stage = to
			}
		}
		e := rootEntry{Root: r, above: fmt.Sprintf("Version %d did not name this root. It stays as it is: leaving it out would not\ntake it off any host. Write \"retired\" if it is to go.", earlier.Version)}
		if err := w.embed(e, write); err != nil {
			return nil, err
		}
	}
	for _, s := range current.Services {
		s.Stages = slices.Clone(s.Stages)
		for i, name := range s.Stages {
			if to, ok := renamed[name]; ok {
				s.Stages[i] = to
			}
		}
		w.service(s)
	}
	return []byte(w.String()), nil
}

func find(d Document, fp root.Fingerprint) (Root, bool) {
	i := slices.IndexFunc(d.Roots, func(r Root) bool { return r.SHA256 == fp })
	if i < 0 {
		return Root{}, false
	}
	return d.Roots[i], true
}

func says(r Root, s Standing) bool {
	return slices.ContainsFunc(r.Standings, func(step Step) bool { return step.Standing == s })
}

// embed writes an entry and the files that it names.
func (w *writer) embed(e rootEntry, write func(name string, data []byte) error) error {
	if len(e.DER) > 0 {
		c, err := root.Parse(e.DER)
		if err != nil {
			return fmt.Errorf("cannot write the certificate of root %s: %w", e.SHA256.Short(), err)
		}
		e.file = certificateFile("root", e.SHA256)
		if err := write(e.file, c.PEM()); err != nil {
			return fmt.Errorf("cannot write %s: %w", e.file, err)
		}
	}
	if len(e.Sample) > 0 {
		var chain []byte
		for _, der := range e.Sample {
			c, err := root.Parse(der)
			if err != nil {
				return fmt.Errorf("cannot write the sample of root %s: %w", e.SHA256.Short(), err)
			}
			chain = append(chain, c.PEM()...)
		}
		e.sample = certificateFile("sample", e.SHA256)
		if err := write(e.sample, chain); err != nil {
			return fmt.Errorf("cannot write %s: %w", e.sample, err)
		}
	}
	w.root(e)
	return nil
}

// mergeStages returns earlier's stages and those of current, which get another
// name where both mean different things by one.
func mergeStages(earlier, current Document) (stages []Stage, renamed map[string]string) {
	renamed = map[string]string{}
	taken := map[string]Stage{AllHosts: {}}
	for _, s := range slices.Concat(earlier.Stages, current.Stages) {
		taken[s.Name] = Stage{}
	}
	for _, s := range earlier.Stages {
		taken[s.Name] = s
		stages = append(stages, s)
	}
	for _, s := range current.Stages {
		if was := taken[s.Name]; sameStage(was, s) {
			continue
		} else if was.Name != "" {
			base := s.Name
			for n := 2; ; n++ {
				s.Name = clipRunes(base, 28) + fmt.Sprintf("-%d", n)
				if _, there := taken[s.Name]; !there {
					break
				}
			}
			renamed[base] = s.Name
			taken[s.Name] = s
		}
		stages = append(stages, s)
	}
	return stages, renamed
}

func sameStage(a, b Stage) bool {
	x, errA := marshal(a)
	y, errB := marshal(b)
	return errA == nil && errB == nil && string(x) == string(y)
}
