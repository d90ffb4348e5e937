package policy

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"anchorhold.test/anchorhold/trust/root"
)

// DraftFinding is one thing that compiling a draft brought to light. Findings
// of severity root.Refuse that no waiver covers stop the compiling.
type DraftFinding struct {
	Severity root.Severity    `json:"severity"`
	Code     string           `json:"code"`            // stable; of Compile, Document.Check, root.Read or root.Vet
	Label    string           `json:"label,omitempty"` // of the root that is meant; empty: the policy as a whole
	Root     root.Fingerprint `json:"sha256"`
	Line     int              `json:"line,omitempty"` // of the draft; 0: none
	Reason   string           `json:"reason"`
	Remedy   string           `json:"remedy,omitempty"`
	Source   string           `json:"source,omitempty"` // the rule's source, may be empty
	Waived   string           `json:"waived,omitempty"` // the written reason by which the draft lets it pass
}

// Stops reports whether the finding keeps the draft from being compiled.
func (f DraftFinding) Stops() bool { return f.Severity == root.Refuse && f.Waived == "" }

// Reminders of Compile.
const (
	remindPolicy = 14 * day // before a policy's own end
)

// Compile turns a draft and its root files into a document of the keyset's
// epoch, issued now. load returns a file that the draft names; it is asked
// once for each name. All findings are returned, those that stop it with an
// error of code "draft" and no document.
func Compile(d Draft, load func(name string) ([]byte, error), keysetEpoch uint64, now time.Time) (Document, []DraftFinding, error) {
	issued := now.UTC().Truncate(time.Second)
	c := &compiler{
		draft: d, now: issued, load: load,
		files: map[string]loaded{}, certs: map[root.Fingerprint]*root.Certificate{}, labels: map[string]root.Fingerprint{},
		doc: Document{
			Name: d.Name, Epoch: keysetEpoch, Version: d.Version,
			Issued: issued, Expires: d.Expires.after(issued),
			Contact: d.Contact, Notes: d.Notes, Roots: []Root{},
		},
	}
	c.stages()
	c.services()
	for _, r := range d.Roots {
		c.root(r)
	}
	for i := range c.doc.Roots {
		c.succeeds(i)
		c.vet(i)
	}
	c.family()
	c.doc.Schema = lowestSchema(c.doc)
	c.check()
	c.reminders()
	slices.SortStableFunc(c.found, func(a, b DraftFinding) int { return a.Line - b.Line })
	return c.result()
}

type compiler struct {
	draft  Draft
	doc    Document
	now    time.Time
	load   func(string) ([]byte, error)
	files  map[string]loaded
	certs  map[root.Fingerprint]*root.Certificate // of the document's roots
	labels map[string]root.Fingerprint
	found  []DraftFinding
}

type loaded struct {
	file root.File
	err  error
}

func (c *compiler) result() (Document, []DraftFinding, error) {
	var stops []string
	for _, f := range c.found {
		if f.Stops() {
			stops = append(stops, f.String())
		}
	}
	if len(stops) == 0 {
		return c.doc, c.found, nil
	}
	const shown = 5
	if n := len(stops); n > shown {
		stops = append(stops[:shown], fmt.Sprintf("and %d more", n-shown))
	}
	return Document{}, c.found, refuse(CodeDraft, "draft", "%s", strings.Join(stops, "; "))
}

// String puts place, root and reason into one line.
func (f DraftFinding) String() string {
	s := f.Reason
	if f.Label != "" {
		s = f.Label + ": " + s
	}
	if f.Line > 0 {
		s = fmt.Sprintf("line %d: %s", f.Line, s)
	}
	return s
}

// about begins a finding on a root of the draft.
func about(r DraftRoot, fp root.Fingerprint) DraftFinding {
	return DraftFinding{Severity: root.Refuse, Label: r.Label, Root: fp, Line: r.Line}
}

func (c *compiler) add(f DraftFinding, code, remedy, reason string, args ...any) {
	f.Code, f.Remedy, f.Reason = code, remedy, fmt.Sprintf(reason, args...)
	c.found = append(c.found, f)
}

func (c *compiler) stages() {
	for _, s := range c.draft.Stages {
		percent := 100
		if s.Percent != nil {
			percent = *s.Percent
		}
		c.doc.Stages = append(c.doc.Stages, Stage{Name: s.Name, Labels: s.Labels, Percent: percent, Start: s.Start.begin(), Notes: s.Notes})
		if !c.used(s.Name) {
			c.add(DraftFinding{Severity: root.Note, Line: s.Line}, "stage-unused", "leave it out, or give a root a standing in it", "no root and no service uses stage %q", s.Name)
		}
	}
}

func (c *compiler) used(stage string) bool {
	in := func(s DraftService) bool { return slices.Contains(s.Stages, stage) }
	has := func(r DraftRoot) bool {
		return slices.ContainsFunc(r.Standings, func(s DraftStep) bool { return s.Stage == stage })
	}
	return slices.ContainsFunc(c.draft.Roots, has) || slices.ContainsFunc(c.draft.Services, in)
}

func (c *compiler) services() {
	for _, s := range c.draft.Services {
		c.doc.Services = append(c.doc.Services, Service{Name: s.Name, Address: s.Address, Identity: s.Identity, StartTLS: s.StartTLS, Stages: s.Stages, Notes: s.Notes})
	}
}

// succeeds turns a label or a fingerprint into the root that it names.
func (c *compiler) succeeds(i int) {
	r := c.draft.Roots[i]
	if r.Succeeds == "" {
		return
	}
	fp, ok := c.labels[r.Succeeds]
	if !ok {
		var err error
		if fp, err = root.ParseFingerprint(r.Succeeds); err != nil {
			c.add(about(r, c.doc.Roots[i].SHA256), "succeeds", "give the label or the SHA-256 of the root that this one takes over from", "%s is neither a label of this draft nor a fingerprint", clip(r.Succeeds))
			return
		}
	}
	c.doc.Roots[i].Succeeds = &fp
}

// family tells which roots belong together, so that nobody takes out the twin
// of the one that was meant.
func (c *compiler) family() {
	var certs []*root.Certificate
	for _, r := range c.doc.Roots {
		if cert := c.certs[r.SHA256]; cert != nil {
			certs = append(certs, cert)
		}
	}
	for _, k := range root.Family(certs) {
		for i, r := range c.doc.Roots {
			if r.SHA256 == k.A {
				f := about(c.draft.Roots[i], k.A)
				f.Severity = root.Note
				c.add(f, "kinship", "check that each standing is meant for exactly this fingerprint", "%s: %s", k.Kind, k.Text)
			}
		}
	}
}

// check adds what Document.Check finds, with the draft's lines.
func (c *compiler) check() {
	for _, f := range c.doc.Check() {
		out := DraftFinding{Severity: f.Severity, Code: f.Code, Root: f.Root, Reason: f.Path + ": " + f.Reason, Remedy: f.Remedy}
		var i int
		switch {
		case indexOf(f.Path, "roots[%d]", &i):
			r := c.draft.Roots[i]
			out.Label, out.Line = r.Label, r.Line
			if c.told(f, i) {
				continue
			}
		case indexOf(f.Path, "stages[%d]", &i):
			out.Line = c.draft.Stages[i].Line
		case indexOf(f.Path, "services[%d]", &i):
			out.Line = c.draft.Services[i].Line
		}
		c.found = append(c.found, out)
	}
}

func indexOf(path, form string, i *int) bool {
	n, err := fmt.Sscanf(path, form, i)
	return err == nil && n == 1
}

// told reports whether a finding only repeats what the compiling of this root
// said better.
func (c *compiler) told(f Finding, i int) bool {
	switch {
	case f.Code == "certificate-missing", f.Code == "fingerprint":
	case f.Code == "root-twice" && f.Root.IsZero():
	case f.Code == "count" && strings.HasSuffix(f.Path, ".standings"):
	default:
		return false
	}
	return slices.ContainsFunc(c.found, func(d DraftFinding) bool {
		return d.Stops() && d.Line == c.draft.Roots[i].Line
	})
}

// reminders tells of ends that come near.
func (c *compiler) reminders() {
	if left := c.doc.Expires.Sub(c.now); left > 0 && left < remindPolicy {
		c.add(DraftFinding{Severity: root.Warn}, "expires-soon", `give it more time, as expires = "90d"`, "the policy expires in %d days; hosts then open no stage and change nothing new", int(left/day))
	}
	for i, r := range c.doc.Roots {
		cert := c.certs[r.SHA256]
		trusted := slices.ContainsFunc(r.Standings, func(s Step) bool { return s.Standing == Trusted })
		if cert == nil || !trusted || cert.NotAfter.IsZero() || !cert.NotAfter.Before(c.doc.Expires) || cert.NotAfter.Before(c.now) {
			continue
		}
		f := about(c.draft.Roots[i], r.SHA256)
		f.Severity, f.Source = root.Warn, "RFC 5280 4.1.2.5"
		c.add(f, "root-expires", "place its successor now", "the certificate itself ends on %s, before the policy does", cert.NotAfter.UTC().Format(time.DateOnly))
	}
}
