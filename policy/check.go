package policy

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"anchorhold.test/anchorhold/trust/root"
)

// Bounds of a document. An empty list of roots is legal and changes nothing
// (RFC 5914 3: the list has no upper bound; omission is not removal).
const (
	MaxRoots     = 1000
	MaxStages    = 100
	MaxServices  = 500
	MaxSteps     = 16        // standings of one root
	MaxWords     = 16        // stores or purposes of one root, labels or stages of one entry
	MaxWaivers   = 16        // of one root
	MaxSample    = 8         // certificates of one sample
	MaxDER       = 64 << 10  // bytes of one certificate
	maxNotes     = 2000      // characters
	maxContact   = 200       // characters
	maxLabelText = 64        // characters (RFC 5914 2.4)
	MaxLifetime  = 400 * day // from issued to expires
)

const day = 24 * time.Hour

// Purposes and stores that this program knows. Others are told and not
// refused: a policy serves hosts of several versions.
var (
	knownPurposes = []string{TLSServer, TLSClient, Email, Code}
	knownStores   = []string{MachineStore}
)

// MachineStore is the operating system's own store, for all accounts.
const MachineStore = "machine"

// Finding is one thing about a document that is wrong (root.Refuse) or worth
// knowing.
type Finding struct {
	Code     string // stable, lower case with dashes
	Severity root.Severity
	Path     string           // in the document: "roots[3].label"
	Root     root.Fingerprint // zero if the finding is not about one root
	Reason   string
	Remedy   string
}

var (
	labelForm = lazy(`^[a-z0-9][a-z0-9._-]{0,62}$`)
	codeForm  = lazy(`^[a-z0-9][a-z0-9-]{0,63}$`)
	hostForm  = lazy(`^([A-Za-z0-9]([A-Za-z0-9._-]{0,251}[A-Za-z0-9])?|\[[0-9A-Fa-f:.]{2,45}\])$`)
	portForm  = lazy(`^[1-9][0-9]{0,4}$`)
)

// Check judges everything that a document must keep beyond its form, and
// returns all findings at once. A document with a finding of severity
// root.Refuse is neither signed nor believed. Whether a root is fit to be
// trusted is not judged here: vetting stops a root, never a policy.
func (d Document) Check() []Finding {
	c := &checker{doc: &d, stages: map[string]bool{AllHosts: true}, roots: map[root.Fingerprint]int{}}
	c.head()
	for i, s := range d.Stages {
		c.stage(item("stages", i), s)
	}
	for i, r := range d.Roots {
		if at, twice := c.roots[r.SHA256]; twice {
			c.root = r.SHA256
			c.add("root-twice", item("roots", i), "the root stands at %s too; give it one entry with all its standings", item("roots", at))
			continue
		}
		c.roots[r.SHA256] = i
	}
	for i, r := range d.Roots {
		c.root = r.SHA256
		c.oneRoot(item("roots", i), r)
	}
	c.root = root.Fingerprint{}
	c.succession()
	for i, s := range d.Services {
		c.service(item("services", i), s)
	}
	return c.found
}

type checker struct {
	doc    *Document
	found  []Finding
	stages map[string]bool
	roots  map[root.Fingerprint]int
	root   root.Fingerprint // the one being judged
}

func (c *checker) add(code, path, format string, args ...any) {
	c.found = append(c.found, Finding{Code: code, Severity: root.Refuse, Path: path, Root: c.root,
		Reason: fmt.Sprintf(format, args...), Remedy: "correct " + path})
}

func (c *checker) warn(code, path, remedy, format string, args ...any) {
	c.found = append(c.found, Finding{Code: code, Severity: root.Warn, Path: path, Root: c.root,
		Reason: fmt.Sprintf(format, args...), Remedy: remedy})
}

func (c *checker) head() {
	d := c.doc
	if d.Schema < 1 || d.Schema > Schema {
		c.add("schema", "schema", "schema %d is none that this program writes", d.Schema)
	}
	if !nameForm.MatchString(d.Name) {
		c.add("name", "name", "%s is not a policy's name: 1 to 32 of a-z, 0-9 and '-'", clip(d.Name))
	}
	if d.Epoch < 1 || d.Epoch > maxInteger {
		c.add("epoch", "epoch", "%d is no keyset's epoch", d.Epoch)
	}
	if d.Version < 1 || d.Version > maxInteger {
		c.add("version", "version", "%d is not from 1 to 2^53-1", d.Version)
	}
	c.time("issued", &d.Issued)
	c.time("expires", &d.Expires)
	if !d.Expires.After(d.Issued) {
		c.add("expires", "expires", "it expires before it is issued")
	} else if d.Expires.Sub(d.Issued) > MaxLifetime {
		c.add("expires", "expires", "it expires more than %d days after it is issued", MaxLifetime/day)
	}
	c.text("contact", d.Contact, 0, maxContact, false)
	c.text("notes", d.Notes, 0, maxNotes, true)
	c.count("roots", len(d.Roots), 0, MaxRoots)
	c.count("stages", len(d.Stages), 0, MaxStages)
	c.count("services", len(d.Services), 0, MaxServices)
}

func (c *checker) time(path string, t *time.Time) {
	if t != nil && (t.Year() < 1970 || t.Year() > 9999 || !plain(*t)) {
		c.add("time", path, "%s is not a time from 1970 to 9999 in UTC and whole seconds", t.Format(time.RFC3339Nano))
	}
}

func (c *checker) count(path string, n, least, most int) {
	if n < least || n > most {
		c.add("count", path, "%d entries, there must be %d to %d", n, least, most)
	}
}

// text refuses what could change a screen or a reader's mind: controls, and
// marks that are invisible or turn the writing direction (RFC 5914 2.4 for the
// length; common practice for the rest).
func (c *checker) text(path, s string, least, most int, lines bool) {
	if n := utf8.RuneCountInString(s); n < least || n > most {
		c.add("text-length", path, "%d characters, there must be %d to %d", n, least, most)
	}
	if least > 0 && s != "" && strings.TrimSpace(s) == "" {
		c.add("text-length", path, "nothing but blanks")
	}
	for _, r := range s {
		if lines && (r == '\n' || r == '\t') {
			continue
		}
		if r == utf8.RuneError || unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || r == '\u2028' || r == '\u2029' {
			c.add("text-character", path, "character %U does not belong into a text for people", r)
			return
		}
	}
}

func (c *checker) stage(path string, s Stage) {
	if !nameForm.MatchString(s.Name) {
		c.add("stage-name", path+".name", "%s is not a stage's name: 1 to 32 of a-z, 0-9 and '-'", clip(s.Name))
	} else if c.stages[s.Name] {
		c.add("stage-twice", path+".name", "stage %q is declared already or is the one of all hosts", s.Name)
	}
	c.stages[s.Name] = true
	if s.Percent < 1 || s.Percent > 100 {
		c.add("percent", path+".percent", "%d is not from 1 to 100", s.Percent)
	}
	c.time(path+".start", s.Start)
	c.count(path+".labels", len(s.Labels), 0, MaxWords)
	for k, v := range s.Labels {
		if !labelForm().MatchString(k) || !labelForm().MatchString(v) {
			c.add("host-label", path+".labels", "%s = %s is not a label: 1 to 63 of a-z, 0-9, '.', '_' and '-', the first a letter or digit", clip(k), clip(v))
		}
	}
	c.text(path+".notes", s.Notes, 0, maxNotes, true)
}

func (c *checker) service(path string, s Service) {
	c.text(path+".name", s.Name, 1, maxLabelText, false)
	colon := strings.LastIndexByte(s.Address, ':')
	if colon < 0 || !hostForm().MatchString(s.Address[:colon]) || !portForm().MatchString(s.Address[colon+1:]) || len(s.Address[colon+1:]) == 5 && s.Address[colon+1:] > "65535" {
		c.add("address", path+".address", "%s is not host:port", clip(s.Address))
	}
	if s.Identity != "" && !hostForm().MatchString(s.Identity) {
		c.add("identity", path+".identity", "%s is not a host's name or address", clip(s.Identity))
	}
	if !slices.Contains([]string{"", "smtp", "ldap"}, s.StartTLS) {
		c.add("starttls", path+".starttls", `%s is none of "", "smtp", "ldap"`, clip(s.StartTLS))
	}
	c.count(path+".stages", len(s.Stages), 0, MaxWords)
	for _, name := range s.Stages {
		c.stageKnown(path+".stages", name)
	}
	c.text(path+".notes", s.Notes, 0, maxNotes, true)
}

func (c *checker) stageKnown(path, name string) {
	if !c.stages[name] {
		c.add("stage-unknown", path, "stage %s is not declared", clip(name))
	}
}
