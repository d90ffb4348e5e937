package policy

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust/root"
)

const outOfBand = "compare it with the CA's owner by another way than the file came, then write it as sha256"

// root compiles one entry. It always adds a root to the document, so that
// indices stay those of the draft.
func (c *compiler) root(r DraftRoot) {
	out := Root{
		Label: r.Label, Notes: r.Notes, Standings: c.standings(r), Own: r.Own, Sweep: r.Sweep,
		Purposes: orDefault(r.Purposes, TLSServer), Stores: orDefault(r.Stores, MachineStore),
	}
	for _, w := range r.Waive {
		out.Waivers = append(out.Waivers, Waiver(w))
	}
	trusted := slices.ContainsFunc(out.Standings, func(s Step) bool { return s.Standing == Trusted })
	file, known := c.open(r, r.File, trusted)
	out.SHA256 = c.fingerprint(r, file)
	if known && !out.SHA256.IsZero() {
		if cert := c.pick(r, out.SHA256, file, trusted); cert != nil {
			out.DER = cert.Raw
			c.certs[out.SHA256] = cert
		}
	}
	if r.Sample != "" {
		sample, _ := c.open(r, r.Sample, true)
		for _, i := range sample.Items {
			out.Sample = append(out.Sample, i.Cert.Raw)
		}
	}
	if other, twice := c.labels[r.Label]; twice && r.Label != "" {
		f := about(r, out.SHA256)
		f.Severity = root.Warn
		c.add(f, "label-twice", "give each root a label of its own", "root %s has the same label", other.Short())
	} else if !out.SHA256.IsZero() {
		c.labels[r.Label] = out.SHA256
	}
	c.doc.Roots = append(c.doc.Roots, out)
}

func orDefault(words []string, fallback string) []string {
	if words == nil {
		return []string{fallback}
	}
	return words
}

func (c *compiler) standings(r DraftRoot) []Step {
	var steps []Step
	switch {
	case r.Standing != "" && len(r.Standings) > 0:
		c.add(about(r, root.Fingerprint{}), "standing-twice", "keep one of the two", "both standing and standings are given")
	case r.Standing != "":
		return []Step{{Standing: Standing(r.Standing), Stage: AllHosts}}
	case len(r.Standings) == 0:
		c.add(about(r, root.Fingerprint{}), "standing-missing", `write standing = "trusted", "retired" or "distrusted"`, "the root has no standing")
	}
	for _, s := range r.Standings {
		step := Step{Standing: Standing(s.Standing), Stage: s.Stage, Deadline: s.Deadline.end(), Until: s.Until.begin()}
		if step.Stage == "" {
			step.Stage = AllHosts
		}
		steps = append(steps, step)
	}
	return steps
}

// open reads a file that the draft names. What cannot be read stops the root
// where it is needed, and is told otherwise.
func (c *compiler) open(r DraftRoot, name string, needed bool) (root.File, bool) {
	f := about(r, root.Fingerprint{})
	if name == "" {
		if needed {
			c.add(f, "file-missing", `write file = "..."`, "a trusted root needs its certificate, and no file is named")
		}
		return root.File{}, false
	}
	if !needed {
		f.Severity = root.Warn
	}
	got, known := c.files[name]
	if !known {
		data, err := c.load(name)
		if err == nil {
			got.file, got.err = root.Read(data)
		} else {
			got.err = err
		}
		c.files[name] = got
	}
	if no, ok := errors.AsType[*root.Refusal](got.err); ok {
		if no.Code == "private-key" { // whatever the file was wanted for
			f.Severity = root.Refuse
		}
		f.Source = no.Source
		c.add(f, no.Code, no.Remedy, "%s: %s", clip(name), no.Reason)
		return root.File{}, false
	}
	if got.err != nil {
		c.add(f, "file-unread", "name a file that this account can read", "cannot read %s: %v", clip(name), got.err)
		return root.File{}, false
	}
	if !known {
		c.notes(r, name, got.file)
	}
	return got.file, true
}

func (c *compiler) notes(r DraftRoot, name string, file root.File) {
	for _, note := range file.Notes {
		f := about(r, root.Fingerprint{})
		f.Severity = root.Note
		c.add(f, "file-note", "", "%s: %s", clip(name), note)
	}
}

// fingerprint returns what the draft says, as nothing else was confirmed by a
// person. Where it says nothing, the file's own fingerprints are shown, to be
// confirmed.
func (c *compiler) fingerprint(r DraftRoot, file root.File) root.Fingerprint {
	if r.SHA256 == "" {
		c.add(about(r, root.Fingerprint{}), "fingerprint-missing", outOfBand, "no sha256 says which root is meant%s", inFile(file))
		return root.Fingerprint{}
	}
	fp, err := root.ParseFingerprint(r.SHA256)
	if err != nil {
		c.add(about(r, root.Fingerprint{}), "fingerprint-form", "write the 64 hexadecimal digits of the SHA-256", "sha256: %v", err)
		return root.Fingerprint{}
	}
	if r.Confirmed != nil && !*r.Confirmed {
		c.add(about(r, fp), "not-confirmed", "compare the SHA-256 with the CA's owner by another way than the root came, then remove the line 'confirmed = false'", "nobody has confirmed the fingerprint %s", fp)
	}
	return fp
}

func inFile(file root.File) string {
	if len(file.Items) == 0 {
		return ""
	}
	const shown = 10
	var in []string
	for _, i := range file.Items[:min(shown, len(file.Items))] {
		in = append(in, fmt.Sprintf("%s %s (%s)", i.Role, i.Cert.Fingerprint(), i.Cert.Name()))
	}
	if n := len(file.Items); n > shown {
		in = append(in, fmt.Sprintf("and %d more", n-shown))
	}
	return "; the file holds " + strings.Join(in, ", ")
}

// pick takes the certificate that the fingerprint names out of the file.
func (c *compiler) pick(r DraftRoot, fp root.Fingerprint, file root.File, trusted bool) *root.Certificate {
	for _, i := range file.Items {
		if i.Cert.Fingerprint() == fp {
			return i.Cert
		}
	}
	f := about(r, fp)
	if !trusted {
		f.Severity = root.Warn
	}
	c.add(f, "fingerprint-other", "ask the CA's owner which certificate is meant", "no certificate in %s has the fingerprint %s%s", clip(r.File), fp, inFile(file))
	return nil
}

// vet judges a root that is to be trusted, and says of each waiver what it
// lets pass.
func (c *compiler) vet(i int) {
	out, r := c.doc.Roots[i], c.draft.Roots[i]
	cert := c.certs[out.SHA256]
	if cert == nil || !slices.ContainsFunc(out.Standings, func(s Step) bool { return s.Standing == Trusted }) {
		for _, w := range out.Waivers {
			f := about(r, out.SHA256)
			f.Severity = root.Warn
			c.add(f, "waiver-unused", "leave it out", "waiver %s is of no use: only a trusted root is vetted", clip(w.Code))
		}
		return
	}
	used := map[string]bool{}
	for _, v := range root.Vet(cert, c.now, c.others(out.SHA256)) {
		f := about(r, out.SHA256)
		f.Severity, f.Source = v.Severity, v.Source
		if w, ok := waiverOf(v, out.Waivers); ok {
			f.Waived, used[w.Code] = w.Reason, true
		}
		c.add(f, v.Code, v.Remedy, "%s", v.Reason)
	}
	for _, w := range out.Waivers {
		if !used[w.Code] && !slices.Contains(neverWaived, w.Code) {
			f := about(r, out.SHA256)
			f.Severity = root.Warn
			c.add(f, "waiver-unused", "leave it out", "waiver %s lets no finding of this root pass", clip(w.Code))
		}
	}
}

func (c *compiler) others(but root.Fingerprint) []*root.Certificate {
	var others []*root.Certificate
	for _, r := range c.doc.Roots {
		if cert := c.certs[r.SHA256]; cert != nil && r.SHA256 != but {
			others = append(others, cert)
		}
	}
	return others
}
