package dependent

import "strings"

// postgres reads postgresql.conf: "name = value" or "name value", '#' begins a
// comment, single quotes stand around a value and are doubled within it
// (postgresql.org, "Setting parameters").
func postgres(text []byte) (named []mention, whole bool) {
	kinds := map[string]kind{"ssl_cert_file": certificate, "include": include, "include_if_exists": include0, "include_dir": include}
	whole = true
	for _, l := range lines(text, "#", never) {
		w, closed := words(strings.Replace(l.text, "=", " ", 1), "'", false, true)
		if len(w) < 2 {
			continue
		}
		if k, ok := kinds[strings.ToLower(w[0])]; ok {
			whole = whole && closed
			named = append(named, name(l.n, k, w[1]))
		}
	}
	return named, whole
}

// mysql reads option files: "name = value", '#' and ';' begin lines of comment,
// '-' and '_' are one, '!include' and '!includedir' take files in
// (dev.mysql.com, "Using option files"; mariadb.com, "Option files").
func mysql(text []byte) (named []mention, whole bool) {
	server := false
	for _, l := range lines(text, "#;", never) {
		switch directive, rest, _ := strings.Cut(l.text, " "); {
		case directive == "!include":
			named = append(named, name(l.n, include, strings.TrimSpace(rest)))
		case directive == "!includedir":
			named = append(named, name(l.n, include0, strings.TrimSpace(rest)+"/*.cnf"))
		case strings.HasPrefix(l.text, "["):
			server = !strings.HasPrefix(l.text, "[client") && !strings.HasPrefix(l.text, "[mysql]")
		case server:
			key, value, ok := setting(l.text)
			if ok && strings.ReplaceAll(key, "-", "_") == "ssl_cert" && value != "" {
				named = append(named, name(l.n, certificate, value))
			}
		}
	}
	return named, true
}
