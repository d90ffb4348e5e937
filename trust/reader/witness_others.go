package reader

import (
	"bytes"
	"context"
	"fmt"
	"path"
	"regexp"
	"strings"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
)

// askGnuTLS has GnuTLS load the bundle. 'certtool --certificate-info' imports
// the whole list as gnutls_certificate_set_x509_trust_file does (measured: it
// counts as gnutls-cli does, and one block that GnuTLS cannot parse costs both
// all) and hands over what it read.
func askGnuTLS(ctx context.Context, s *sitting, tool string, p trust.Part) reading {
	v, err := s.run(ctx, host.Cmd{Path: tool, Args: []string{"--version"}})
	if err != nil {
		return reading{err: err}
	}
	version := strings.TrimPrefix(words(v.Stdout), "certtool ")
	r, err := s.run(ctx, host.Cmd{Path: tool, Args: []string{"--certificate-info", "--no-text", "--infile", p.Path}})
	if err != nil {
		return reading{version: version, err: err}
	}
	if r.Code != 0 {
		return reading{version: version, refused: words(r.Stderr, r.Stdout)}
	}
	roots, err := blocks(r.Stdout)
	if err == nil && len(roots) == 0 { // it calls that an error
		err = fmt.Errorf("its answer is empty")
	}
	return reading{version: version, roots: roots, err: err}
}

// pythonScript loads the bundle as a program does that names it, and tells
// what its context holds then. The last line tells that nothing is missing.
const pythonScript = `import hashlib, ssl, sys
print("version", sys.version.split()[0])
try:
    c = ssl.create_default_context(cafile=sys.argv[1])
except OSError as e:
    print("refused", " ".join(str(e).split()))
    sys.exit(0)
for d in c.get_ca_certs(binary_form=True):
    print("root", hashlib.sha256(d).hexdigest())
print("end")
`

// askPython has Python's ssl load the bundle: OpenSSL as that program links
// it.
func askPython(ctx context.Context, s *sitting, tool string, p trust.Part) reading {
	r, err := s.run(ctx, host.Cmd{Path: tool, Args: []string{"-I", "-S", "-B", "-c", pythonScript, p.Path}})
	if err != nil {
		return reading{err: err}
	}
	if r.Code != 0 {
		return reading{err: fmt.Errorf("it ended with %d: %s", r.Code, lastWords(r.Stderr))}
	}
	var out reading
	ended := false
	for line := range strings.Lines(string(r.Stdout)) {
		what, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
		fp, err := root.ParseFingerprint(rest)
		switch {
		case ended:
			return reading{version: out.version, err: fmt.Errorf("its answer goes on after its end")}
		case what == "version":
			out.version = rest
		case what == "refused":
			out.refused, ended = root.Safe(rest, maxWords), true
		case what == "root" && err == nil:
			out.roots = append(out.roots, fp)
		case what == "end":
			ended = true
		default:
			return reading{version: out.version, err: fmt.Errorf("its answer is not as asked for: %s", root.Safe(line, maxWords))}
		}
	}
	if !ended {
		return reading{version: out.version, err: fmt.Errorf("its answer has no end")}
	}
	return out
}

// lastWords is words for a program that tells the cause last.
func lastWords(out []byte) string {
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	return words([]byte(lines[len(lines)-1]))
}

// javaOptions let a Java machine start as fast as it can and write nothing
// (measured: 0.6 s against 0.9 s).
var javaOptions = []string{"-J-XX:TieredStopAtLevel=1", "-J-XX:+UseSerialGC", "-J-Xshare:auto", "-J-Xmx128m", "-J-XX:-UsePerfData"}

// What keytool says at its end and at its beginning.
const javaError, javaEntries = "keytool error: ", "Your keystore contains "

// askJava has Java open its key store without a password, as its trust manager
// does: a store that needs one then has no entry (measured, OpenJDK 17).
func askJava(ctx context.Context, s *sitting, tool string, p trust.Part) reading {
	out := reading{version: s.javaVersion(tool)}
	args := append([]string{"-list", "-rfc", "-keystore", p.Path}, javaOptions...)
	r, err := s.run(ctx, host.Cmd{Path: tool, Args: args, Stdin: []byte("\n"), Timeout: javaTimeout})
	switch {
	case err != nil:
		out.err = err
	case r.Code != 0 && strings.HasPrefix(words(r.Stdout), javaError):
		out.refused = strings.TrimPrefix(words(r.Stdout), javaError)
	case r.Code != 0:
		out.err = fmt.Errorf("it ended with %d: %s", r.Code, words(r.Stdout, r.Stderr))
	case !bytes.Contains(r.Stdout, []byte(javaEntries)):
		out.err = fmt.Errorf("its answer is not as asked for: %s", words(r.Stdout))
	default:
		out.roots, out.err = blocks(r.Stdout)
	}
	return out
}

// maxRelease bounds the file in which a Java runtime tells its version.
const maxRelease = 64 << 10

var javaRelease = regexp.MustCompile(`(?m)^JAVA_VERSION="([^"]{1,40})"$`)

// javaVersion reads the version beside the program: asking it would start
// another Java machine.
func (s *sitting) javaVersion(tool string) string {
	real, err := s.w.Host.Resolve(tool)
	if err != nil {
		return ""
	}
	data, err := s.w.Host.ReadFile(path.Join(path.Dir(path.Dir(real)), "release"), maxRelease)
	if err != nil {
		return ""
	}
	if m := javaRelease.FindSubmatch(data); m != nil {
		return string(m[1])
	}
	return ""
}
