package dependent

import "strings"

// kind is what a configuration means by a name.
type kind int

const (
	certificate kind = iota // a file with a server's certificate, others behind it
	shelf                   // the same, or a folder of such files
	chain                   // a file with certificates that are sent besides
	keyStore                // a Java key store, or whatever its type says
	list                    // a file that names certificates, one a line
	include                 // more configuration; may be a pattern or a folder
	include0                // the same, which need not be there
	base                    // the folder in which other names stand
	shelfBase               // the folder in which names of certificates stand
	lost                    // something that is not followed; note says why
)

// mention is one name in a configuration.
type mention struct {
	line int
	kind kind
	path string
	note string
}

// parser reads one configuration. whole is false where its end was not
// understood, so that names may be missing.
type parser func(text []byte) (named []mention, whole bool)

// variable is why a name is not followed.
const variable = "there is a variable in its name"

// name is a mention, or the note that a variable stands in it. marks are the
// texts by which a format begins a variable.
func name(line int, k kind, path string, marks ...string) mention {
	for _, m := range marks {
		if strings.Contains(path, m) {
			return mention{line, lost, path, variable}
		}
	}
	switch scheme, _, found := strings.Cut(path, ":"); {
	case !found:
	case scheme == "pkcs11" || scheme == "engine" || scheme == "store":
		return mention{line, lost, path, "it lies in a hardware token or another key store of the TLS library"}
	case scheme == "data":
		return mention{line, lost, path, "it is no file"}
	}
	return mention{line, k, path, ""}
}
