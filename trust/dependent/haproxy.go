package dependent

import "strings"

// haproxyNames are the words behind which the name of a file stands, wherever
// on a line (docs.haproxy.org, "Configuration Manual" 3.1, 5.1, 5.2 and 11).
var haproxyNames = map[string]kind{"crt": shelf, "crt-list": list, "crt-base": shelfBase}

// haproxy reads words: '#' begins a comment, quotes and backslashes as in a
// shell, variables of the environment within double quotes or without any.
func haproxy(text []byte) (named []mention, whole bool) {
	whole = true
	for _, l := range lines(text, "#", never) {
		w, closed := words(l.text, `"'`, true, true)
		whole = whole && closed
		for i, word := range w[:max(0, len(w)-1)] {
			if k, ok := haproxyNames[word]; ok {
				named = append(named, name(l.n, k, w[i+1], "$"))
			}
		}
	}
	return named, whole
}

// haproxyList reads a list of certificates: the first word of each line is a
// file, options and names follow.
func haproxyList(text []byte) (named []mention, whole bool) {
	for _, l := range lines(text, "#", never) {
		if f := strings.Fields(l.text); len(f) > 0 {
			named = append(named, name(l.n, shelf, f[0], "$"))
		}
	}
	return named, true
}
