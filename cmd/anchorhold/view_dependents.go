package main

import (
	"fmt"
	"strings"
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/dependent"
	"anchorhold.test/anchorhold/trust/root"
)

// maxListed is how many are named in one sentence.
const maxListed = 5

func atLine(file string, line int) string {
	if line == 0 {
		return file
	}
	return fmt.Sprintf("%s:%d", file, line)
}

// end is the verdict of the command.
func (d dependence) end() error {
	if d.code() == exitRight {
		return nil
	}
	return verdict{code: d.code()}
}

// showDependents writes who depends on a root, what was not inspected, and on
// which day the root can go.
func (a *app) showDependents(s *scene, d dependence) {
	w, colour, fp := a.out, a.colour(), d.root.Fingerprint()
	fmt.Fprintf(w, "Root    %s  %s\n", onScreen(s.name(fp)), fp.Short())
	where := "not in this host's store"
	if s.holds(fp) {
		where = "in this host's store"
	}
	if st := s.standing(fp); st != "" {
		where += "; the policy says " + string(st)
	}
	fmt.Fprintf(w, "Stands  %s; it expires on %s\n\n", where, d.root.NotAfter.Format(day))
	if len(d.all) > 0 {
		s.dependentsTable(d).write(w, colour)
		fmt.Fprintln(w)
	}
	if d.ended > 0 {
		fmt.Fprintf(w, "Not counted: %s by it that expired already.\n\n", count(d.ended, "certificate", "certificates"))
	}
	a.showOpen(d)
	fmt.Fprintln(w, paint("Not seen from here", faint, colour))
	for _, b := range d.blind {
		fmt.Fprintf(w, "    %s\n", onScreen(b))
	}
	fmt.Fprintln(w)
	tint := good
	if len(d.all) > 0 || d.open() > 0 {
		tint = uneasy
	}
	fmt.Fprintln(w, paint(onScreen(d.sentence()), tint, colour))
}

func (s *scene) dependentsTable(d dependence) *table {
	t := &table{head: []string{"WHAT", "WHERE", "NAMES", "EXPIRES", "ALSO CARRIED BY"}}
	for _, o := range d.all {
		var say []remark
		if o.Config != "" {
			say = append(say, remark{"note", "named in " + o.Config})
		}
		if o.Short {
			say = append(say, remark{"note", "its file lacks an issuing CA's certificate, which lies in another file"})
		}
		if len(o.Later) > 0 {
			say = append(say, remark{"note", "would verify by " + s.names(o.Later) + " too, which this host's store does not hold"})
		}
		what := o.What
		if o.Kind != kindFile {
			what = strings.TrimSpace(o.Kind + " " + what)
		}
		also := cell{s.names(o.Also), good}
		if o.breaks() {
			also = cell{"nothing else", bad}
		}
		t.add(say, cell{what, plain}, cell{o.Where, plain}, cell{servedNames(o.Leaf), plain}, cell{o.Leaf.NotAfter.Format(day), plain}, also)
	}
	return t
}

// names lists roots by what they are called.
func (s *scene) names(fps []root.Fingerprint) string {
	var names []string
	for _, fp := range fps {
		names = append(names, s.name(fp)+" "+fp.Short()[:minPrefix])
	}
	return listed(names)
}

// listed names the first few of many.
func listed(all []string) string {
	if more := len(all) - maxListed; more > 0 {
		return strings.Join(all[:maxListed], ", ") + fmt.Sprintf(" and %d more", more)
	}
	return strings.Join(all, ", ")
}

func servedNames(c trust.ServedCertificate) string {
	switch {
	case len(c.Names) > 2:
		return strings.Join(c.Names[:2], ", ") + fmt.Sprintf(" and %d more", len(c.Names)-2)
	case len(c.Names) > 0:
		return strings.Join(c.Names, ", ")
	}
	return c.Subject
}

// showOpen lists what may hide a dependent.
func (a *app) showOpen(d dependence) {
	if len(d.unasked)+len(d.unread) == 0 {
		return
	}
	fmt.Fprintln(a.out, paint("Not inspected", uneasy, a.colour()))
	for _, u := range d.unasked {
		fmt.Fprintf(a.out, "    %s\n", onScreen(u.subject()+": "+u.why))
	}
	for _, u := range d.unread {
		by := ""
		if u.Config != "" {
			by = " (" + u.Server + ", " + atLine(u.Config, u.Line) + ")"
		}
		fmt.Fprintf(a.out, "    %s\n", onScreen(u.Path+": "+u.Why+by))
	}
	fmt.Fprintln(a.out)
}

func (u unasked) subject() string {
	who := u.target.Service
	if u.target.Listener {
		who = strings.TrimSpace("listener " + u.target.Process)
	}
	return strings.TrimSpace(who + " " + u.target.Address)
}

// sentence is the last line: when the root can go, and what would break if it
// went today.
func (d dependence) sentence() string {
	alone, rest := d.alone(), ""
	if n := d.open(); n > 0 {
		rest = "; " + count(n, "thing above was", "things above were") + " not inspected"
	}
	switch {
	case len(d.all) == 0 && rest == "":
		return "Nothing was found that depends on it: it can go today, as far as can be seen from here."
	case len(d.all) == 0:
		return "Nothing was found that depends on it" + rest + "."
	case len(alone) == 0:
		return "Earliest safe date: today; if it went, all that was found would still verify by another root" + rest + "."
	}
	var names []string
	for _, o := range alone {
		names = append(names, o.Where)
	}
	return fmt.Sprintf("Earliest safe date: %s, unless they are renewed under another root before; if it went today, %s would stop verifying: %s%s.",
		d.safe().Format(day), count(len(alone), "certificate", "certificates"), listed(names), rest)
}

// jsonDependents is the result for programs.
type jsonDependents struct {
	Schema     int                `json:"schema"`
	Exit       int                `json:"exit"`
	Root       jsonDependedOn     `json:"root"`
	Dependents []jsonDependent    `json:"dependents"`
	Ended      int                `json:"ended,omitempty"`
	Safe       string             `json:"safe_from,omitempty"` // a day; none where nothing depends on the root alone
	Breaks     int                `json:"breaks"`
	Unread     []dependent.Unread `json:"unread"`
	Unasked    []jsonUnasked      `json:"unasked"`
	Blind      []string           `json:"blind"`
}

type jsonDependedOn struct {
	Root     root.Fingerprint `json:"sha256"`
	Name     string           `json:"name"`
	InStore  bool             `json:"in_store"`
	Standing policy.Standing  `json:"standing,omitempty"`
	NotAfter time.Time        `json:"not_after"`
}

type jsonDependent struct {
	Kind   string                  `json:"kind"` // service, listener, file
	What   string                  `json:"what,omitempty"`
	Where  string                  `json:"where"`
	Config string                  `json:"config,omitempty"`
	Leaf   trust.ServedCertificate `json:"leaf"`
	Also   []root.Fingerprint      `json:"also"`            // roots of this host's store that carry it too
	Later  []root.Fingerprint      `json:"later,omitempty"` // roots that would, were they in the store
	Breaks bool                    `json:"breaks"`
	Short  bool                    `json:"short,omitempty"`
}

type jsonUnasked struct {
	Target trust.Target `json:"target"`
	Remote string       `json:"remote,omitempty"`
	Why    string       `json:"why"`
}

// printDependents writes the result for programs and returns its verdict.
func (a *app) printDependents(s *scene, d dependence) error {
	fp := d.root.Fingerprint()
	j := jsonDependents{Schema: jsonSchema, Exit: d.code(), Ended: d.ended, Breaks: len(d.alone()), Dependents: []jsonDependent{},
		Unread: append([]dependent.Unread{}, d.unread...), Unasked: []jsonUnasked{}, Blind: d.blind,
		Root: jsonDependedOn{fp, s.name(fp), s.holds(fp), s.standing(fp), d.root.NotAfter}}
	if day1 := d.safe(); !day1.IsZero() {
		j.Safe = day1.Format(day)
	}
	for _, o := range d.all {
		j.Dependents = append(j.Dependents, jsonDependent{o.Kind, o.What, o.Where, o.Config, o.Leaf, append([]root.Fingerprint{}, o.Also...), o.Later, o.breaks(), o.Short})
	}
	for _, u := range d.unasked {
		j.Unasked = append(j.Unasked, jsonUnasked{u.target, u.remote, u.why})
	}
	if err := encode(a.result, j); err != nil {
		return err
	}
	return d.end()
}
