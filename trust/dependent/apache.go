package dependent

import "strings"

// apacheNames are the directives that count, in lower case: Apache does not
// tell cases apart (httpd.apache.org, "Configuration files").
var apacheNames = map[string]kind{
	"sslcertificatefile":      certificate,
	"sslcertificatechainfile": chain,
	"include":                 include,
	"includeoptional":         include0,
	"serverroot":              base,
}

// apache reads httpd's language: a directive a line, '#' begins a line of
// comment, a backslash at the end goes on.
func apache(text []byte) (named []mention, whole bool) {
	whole = true
	for _, l := range lines(text, "#", slash) {
		directive, _, _ := strings.Cut(strings.ReplaceAll(l.text, "\t", " "), " ")
		k, ok := apacheNames[strings.ToLower(directive)]
		if !ok {
			continue
		}
		w, closed := words(l.text, `"'`, false, false)
		if whole = whole && closed; len(w) > 1 {
			named = append(named, name(l.n, k, w[1], "${"))
		}
	}
	return named, whole
}
