package policy

import (
	"errors"
	"strings"
	"testing"
)

const fullDraft = `# A draft with everything.
name = "harbour"
version = 3
expires = "60d"
contact = "trust@harbour.test"
notes = """
two
lines"""

[[stage]]
name = "pilot"
labels = { site = "north", role = "quay" }
percent = 10
start = 2026-03-01

[[root]]
label = "Harbour Root 2026"
file = "roots/2026.pem"
sha256 = "AA:BB"
standings = [
  { standing = "trusted", stage = "pilot", until = 2026-09-01T08:00:00Z },
  { standing = "retired", deadline = "2026-10-01" },
]
purposes = ["tls-server", "email"]
stores = ["machine"]
own = true
sweep = true
succeeds = "Harbour Root 2016"
sample = "roots/leaf.pem"
[[root.waive]]
code = "rsa-small"
reason = "replaced in March"

[[service]]
name = "tide tables"
address = "tides.harbour.test:443"
starttls = ""
stages = ["pilot"]
`

func TestParseDraft(t *testing.T) {
	d, err := ParseDraft([]byte(fullDraft))
	if err != nil {
		t.Fatal(err)
	}
	r := d.Roots[0]
	if d.Name != "harbour" || d.Version != 3 || d.Expires.Days != 60 || d.Notes != "two\nlines" ||
		d.Stages[0].Labels["role"] != "quay" || *d.Stages[0].Percent != 10 || !d.Stages[0].Start.Time.Equal(at("2026-03-01")) ||
		r.Line != 16 || !r.Own || !r.Sweep || r.Standings[0].Until.Date || !r.Standings[1].Deadline.Date || r.Waive[0].Code != "rsa-small" ||
		d.Services[0].Line != 34 || d.Services[0].Stages[0] != "pilot" {
		t.Errorf("read as %+v", d)
	}
}

// Every line that is wrong is told at once, with its number.
func TestParseDraftFaults(t *testing.T) {
	for name, c := range map[string]struct {
		old, new string
		want     []string // each in one of the errors
	}{
		"unknown key":       {`contact =`, `contakt =`, []string{`line 5: unknown key "contakt"; did you mean "contact"?`}},
		"case":              {`contact =`, `Contact =`, []string{`line 5: unknown key "Contact"; did you mean "contact"?`}},
		"far key":           {`contact =`, `colour =`, []string{`line 5: unknown key "colour"; keys here are contact, expires, name`}},
		"nested key":        {`stage = "pilot", until`, `stages = "pilot", until`, []string{`line 21: unknown key "root.standings.stages"; did you mean "stage"?`}},
		"table of waivers":  {`reason = "repl`, `raeson = "repl`, []string{`line 32: unknown key "root.waive.raeson"; did you mean "reason"?`}},
		"unknown table":     {`[[service]]`, `[[services]]`, []string{`line 34: unknown key "services"; did you mean "service"?`}},
		"string for number": {`version = 3`, `version = "3"`, []string{`line 3: version must be a whole number from 0 to 2^53-1, not a string`}},
		"fraction":          {`version = 3`, `version = 3.0`, []string{`line 3: version must be a whole number`}},
		"negative":          {`version = 3`, `version = -3`, []string{`line 3: version must be a whole number`}},
		"number for string": {`label = "Harbour Root 2026"`, `label = 2026`, []string{`line 17: root[0].label must be a string, not an integer`}},
		"string for list":   {`["tls-server", "email"]`, `"tls-server"`, []string{`line 24: root[0].purposes must be an array, not a string`}},
		"inside list":       {`["tls-server", "email"]`, `["tls-server", 1]`, []string{`line 24: root[0].purposes[1] must be a string`}},
		"yes":               {`own = true`, `own = "yes"`, []string{`line 26: root[0].own must be true or false, not a string`}},
		"no zone":           {`2026-09-01T08:00:00Z`, `2026-09-01T08:00:00`, []string{`line 21: root[0].standings[0].until must be a date`, `not a time without a zone`}},
		"table for tables":  {`[[service]]`, `[service]`, []string{`service must be an array of tables, not a table`}},
		"label value":       {`role = "quay"`, `role = 1`, []string{`line 12: stage[0].labels.role must be a string`}},
		"expiry":            {`"60d"`, `"60 days"`, []string{`line 4: expires must be days as "90d"`}},
		"expiry of zero":    {`"60d"`, `"0d"`, []string{`line 4: expires must be days as "90d"`}},
		"syntax":            {`version = 3`, `version = `, []string{`line 3, column`}},
		"twice":             {`version = 3`, "version = 3\nversion = 4", []string{`line 4, column`}},
	} {
		text := strings.Replace(fullDraft, c.old, c.new, 1)
		if text == fullDraft {
			t.Fatalf("%s changes nothing", name)
		}
		_, err := ParseDraft([]byte(text))
		if CodeOf(err) != CodeDraft {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for _, want := range c.want {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%s: %v, want %s", name, err, want)
			}
		}
	}
	several := strings.NewReplacer(`version = 3`, `version = "3"`, `own = true`, `own = 1`, `contact =`, `contakt =`).Replace(fullDraft)
	_, err := ParseDraft([]byte(several))
	if all, ok := err.(interface{ Unwrap() []error }); !ok || len(all.Unwrap()) != 3 {
		t.Errorf("three faults at once: %v", err)
	}
	if _, err := ParseDraft(make([]byte, MaxDraft+1)); CodeOf(err) != CodeTooLarge {
		t.Errorf("large: %v", err)
	}
}

func TestExplainTOMLOther(t *testing.T) {
	other := errors.New("of another kind")
	if got := ExplainTOML(other, &Draft{}); got != other {
		t.Errorf("%v", got)
	}
}

// FuzzParseDraft: whatever comes in, a draft or errors with lines come out.
func FuzzParseDraft(f *testing.F) {
	f.Add([]byte(fullDraft))
	f.Add([]byte("root = [{ standings = [{ until = 1 }] }]\n[root.x]\n"))
	f.Add([]byte("[[root]]\n[[root.standings]]\nstage = 'x'\n[[root]]\nwaive = 1\nexpires.x.y = 3"))
	f.Fuzz(func(t *testing.T, data []byte) {
		if _, err := ParseDraft(data); err != nil && CodeOf(err) != CodeDraft {
			t.Errorf("%v", err)
		}
	})
}
