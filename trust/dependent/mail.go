package dependent

import "strings"

// postfixNames are parameters that name certificates of the server
// (postconf(5)).
var postfixNames = map[string]bool{"smtpd_tls_cert_file": true, "smtpd_tls_eccert_file": true, "smtpd_tls_dcert_file": true, "smtpd_tls_chain_files": true}

// postfix reads main.cf: "name = value", a line that begins with a blank goes
// on, '#' begins a line of comment (postconf(5)).
func postfix(text []byte) (named []mention, whole bool) {
	for _, l := range lines(text, "#", indented) {
		if key, value, ok := setting(l.text); ok {
			named = append(named, postfixFiles(l.n, key, value)...)
		}
	}
	return named, true
}

// postfixMaster reads master.cf, where "-o name=value" stands for one service
// (master(5)).
func postfixMaster(text []byte) (named []mention, whole bool) {
	for _, l := range lines(text, "#", indented) {
		for _, word := range strings.Fields(l.text) {
			if key, value, ok := strings.Cut(word, "="); ok {
				named = append(named, postfixFiles(l.n, key, value)...)
			}
		}
	}
	return named, true
}

func postfixFiles(line int, key, value string) (named []mention) {
	if !postfixNames[key] {
		return nil
	}
	for _, file := range strings.FieldsFunc(value, func(r rune) bool { return r == ' ' || r == '\t' || r == ',' }) {
		if file != "none" {
			named = append(named, name(line, certificate, file, "$"))
		}
	}
	return named
}

// dovecotNames are settings that hold a certificate, up to 2.3, or name its
// file, from 2.4 on (doc.dovecot.org, "SSL configuration").
var dovecotNames = map[string]bool{"ssl_cert": true, "ssl_alt_cert": true, "ssl_server_cert_file": true, "ssl_server_alt_cert_file": true}

// dovecot reads "name = value" within blocks; "<" before a value reads it from
// a file, '#' behind white space begins a comment.
func dovecot(text []byte) (named []mention, whole bool) {
	for _, l := range lines(text, "#", slash) {
		said, _, _ := strings.Cut(l.text, " #")
		said = strings.TrimSpace(said)
		switch directive, rest, _ := strings.Cut(said, " "); directive {
		case "!include":
			named = append(named, name(l.n, include, unquoted(strings.TrimSpace(rest)), "$", "%"))
			continue
		case "!include_try":
			named = append(named, name(l.n, include0, unquoted(strings.TrimSpace(rest)), "$", "%"))
			continue
		}
		// One line may open a block and hold a setting: local_name x { a = b }
		said = strings.TrimSpace(strings.TrimSuffix(said[strings.LastIndex(said, "{")+1:], "}"))
		key, value, ok := setting(said)
		if !ok || !dovecotNames[key] || value == "" {
			continue
		}
		file, read := strings.CutPrefix(value, "<")
		switch {
		case read || strings.HasSuffix(key, "_file"):
			named = append(named, name(l.n, certificate, unquoted(strings.TrimSpace(file)), "$", "%"))
		default:
			named = append(named, mention{l.n, lost, key, "the certificate stands in the configuration itself"})
		}
	}
	return named, true
}

// exim reads "name = value", '#' begins a line of comment, a backslash at the
// end goes on; names may be lists and may be expanded (exim.org, "The Exim
// specification", chapters 6 and 43). Macros are not followed either.
func exim(text []byte) (named []mention, whole bool) {
	for _, l := range lines(text, "#", slash) {
		switch directive, rest, _ := strings.Cut(l.text, " "); directive {
		case ".include":
			named = append(named, name(l.n, include, strings.TrimSpace(rest), "$"))
			continue
		case ".include_if_exists":
			named = append(named, name(l.n, include0, strings.TrimSpace(rest), "$"))
			continue
		}
		key, value, ok := setting(l.text)
		if !ok || key != "tls_certificate" || value == "" {
			continue
		}
		if strings.Contains(value, "$") || !strings.HasPrefix(value, "/") {
			named = append(named, mention{l.n, lost, value, "it is a macro or is worked out for each connection"})
			continue
		}
		for file := range strings.SplitSeq(value, ":") {
			named = append(named, name(l.n, certificate, strings.TrimSpace(file)))
		}
	}
	return named, true
}
