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

// writer writes a draft with its comments.
type writer struct{ strings.Builder }

func (w *writer) comment(text string) {
	for line := range strings.SplitSeq(text, "\n") {
		w.WriteString(strings.TrimRight("# "+screen(line), " ") + "\n")
	}
}

func (w *writer) blank() { w.WriteString("\n") }

func (w *writer) key(name, value string) { fmt.Fprintf(w, "%s = %s\n", name, value) }

// text writes a key whose value is a string, unless it is empty.
func (w *writer) text(name, value string) {
	if value != "" {
		w.key(name, quote(value))
	}
}

func (w *writer) flag(name string, set bool) {
	if set {
		w.key(name, "true")
	}
}

func (w *writer) words(name string, words, fallback []string) {
	if !slices.Equal(words, fallback) {
		w.key(name, list(words))
	}
}

func list(words []string) string {
	quoted := make([]string, len(words))
	for i, s := range words {
		quoted[i] = quote(s)
	}
	return "[" + strings.Join(quoted, ", ") + "]"
}

// quote writes a TOML basic string. Whatever is not plainly visible is
// escaped, so that a text editor shows it as what it is.
func quote(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\t':
			b.WriteString(`\t`)
		case visible(r):
			b.WriteRune(r)
		default:
			fmt.Fprintf(&b, `\U%08X`, r)
		}
	}
	b.WriteByte('"')
	return b.String()
}

func visible(r rune) bool {
	return r != utf8.RuneError && (r == ' ' || unicode.IsGraphic(r) && !unicode.IsSpace(r) && !unicode.Is(unicode.Cf, r))
}

// screen replaces what is not plainly visible in a comment.
func screen(s string) string {
	return strings.Map(func(r rune) rune {
		if visible(r) {
			return r
		}
		return '\uFFFD'
	}, s)
}

func (w *writer) stage(s Stage) {
	w.blank()
	w.WriteString("[[stage]]\n")
	w.text("name", s.Name)
	if len(s.Labels) > 0 {
		var pairs []string
		for k, v := range s.Labels {
			pairs = append(pairs, quote(k)+" = "+quote(v))
		}
		slices.Sort(pairs)
		w.key("labels", "{ "+strings.Join(pairs, ", ")+" }")
	}
	w.key("percent", fmt.Sprint(s.Percent))
	if s.Start != nil {
		w.key("start", s.Start.Format(timeLayout))
	}
	w.text("notes", s.Notes)
}

func (w *writer) service(s Service) {
	w.blank()
	w.WriteString("[[service]]\n")
	w.text("name", s.Name)
	w.text("address", s.Address)
	w.text("identity", s.Identity)
	w.text("starttls", s.StartTLS)
	w.words("stages", s.Stages, nil)
	w.text("notes", s.Notes)
}

// rootEntry is a [[root]] with what only its draft knows.
type rootEntry struct {
	Root
	file, sample string
	unconfirmed  bool
	above        string // comment in front of it
}

func (w *writer) root(e rootEntry) {
	w.blank()
	if e.above != "" {
		w.comment(e.above)
	}
	w.WriteString("[[root]]\n")
	w.text("label", e.Label)
	w.text("file", e.file)
	w.key("sha256", quote(e.SHA256.String()))
	if e.unconfirmed {
		w.key("confirmed", "false")
	}
	w.standings(e.Standings)
	w.words("purposes", e.Purposes, []string{TLSServer})
	w.words("stores", e.Stores, []string{MachineStore})
	w.flag("own", e.Own)
	w.flag("sweep", e.Sweep)
	if e.Succeeds != nil {
		w.text("succeeds", e.Succeeds.String())
	}
	w.text("sample", e.sample)
	w.text("notes", e.Notes)
	for _, v := range e.Waivers {
		w.WriteString("[[root.waive]]\n")
		w.text("code", v.Code)
		w.text("reason", v.Reason)
	}
}

func (w *writer) standings(steps []Step) {
	if len(steps) == 1 && steps[0].Stage == AllHosts && steps[0].Deadline == nil && steps[0].Until == nil {
		w.text("standing", string(steps[0].Standing))
		return
	}
	w.WriteString("standings = [\n")
	for _, s := range steps {
		fmt.Fprintf(w, "  { standing = %s, stage = %s", quote(string(s.Standing)), quote(s.Stage))
		for _, t := range []struct {
			name string
			at   *time.Time
		}{{"deadline", s.Deadline}, {"until", s.Until}} {
			if t.at != nil {
				fmt.Fprintf(w, ", %s = %s", t.name, t.at.Format(timeLayout))
			}
		}
		w.WriteString(" },\n")
	}
	w.WriteString("]\n")
}

// certificateFile names the file of a certificate by its fingerprint, as no
// name out of a certificate becomes a file name.
func certificateFile(kind string, fp root.Fingerprint) string {
	return kind + "-" + fp.Short() + ".pem"
}
