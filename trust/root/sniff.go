package root

import (
	"bytes"
	"regexp"
)

// looksLikeWeb reports HTML.
func looksLikeWeb(data []byte) bool {
	head := bytes.TrimLeft(bytes.TrimPrefix(data[:min(len(data), 4096)], bomUTF8), " \t\r\n\x00")
	if len(head) == 0 || head[0] != '<' && head[0] != 'H' && head[0] != 'h' {
		return false // nearly every file: its text need not be brought into lower case
	}
	head = bytes.ToLower(head)
	if !bytes.HasPrefix(head, []byte("<")) && !bytes.HasPrefix(head, []byte("http/")) {
		return false
	}
	for _, m := range []string{"<!doctype html", "<html", "<head", "<body", "<script", "<title", "<meta "} {
		if bytes.Contains(head, []byte(m)) {
			return true
		}
	}
	return false
}

// binaryKinds are files that are told by their first bytes.
var binaryKinds = []struct{ magic, code, what string }{
	{"\x1f\x8b", "archive", "a gzip archive"},
	{"PK\x03\x04", "archive", "a zip archive"},
	{"PK\x05\x06", "archive", "an empty zip archive"},
	{"7z\xbc\xaf\x27\x1c", "archive", "a 7z archive"},
	{"BZh", "archive", "a bzip2 archive"},
	{"\xfd7zXZ\x00", "archive", "an xz archive"},
	{"\x28\xb5\x2f\xfd", "archive", "a zstd archive"},
	{"Rar!", "archive", "a rar archive"},
	{"MSCF", "archive", "a cabinet archive"},
	{"!<arch>", "archive", "a package or library archive"},
	{"\xed\xab\xee\xdb", "archive", "an RPM package"},
	{"%PDF", "document", "a PDF document"},
	{"\xd0\xcf\x11\xe0", "document", "an office document or installer package"},
	{"{\\rtf", "document", "an RTF document"},
	{"\x89PNG", "picture", "a picture"},
	{"\xff\xd8\xff", "picture", "a picture"},
	{"GIF8", "picture", "a picture"},
	{"MZ", "program", "a program"},
	{"\x7fELF", "program", "a program"},
	{"\xcf\xfa\xed\xfe", "program", "a program"},
	{"SQLite format 3\x00", "database", "a database, such as NSS keeps certificates in"},
	{"\xce\xce\xce\xce", "java-keystore", "a JCEKS key store of Java"},
	{"\x00\x00\x00\x00CERT", "serialized-store", "a serialized certificate store of Windows"},
	{"bplist00", "property-list", "a binary property list"},
	{"kych", "database", "a keychain of macOS"},
	{"SSHKRL", "ssh-key", "a revocation list of OpenSSH"},
}

// textKinds are texts without a certificate that are told by their words.
var textKinds = []struct {
	mark       func() *regexp.Regexp
	code, what string
}{
	{lazy(`(?m)^(ssh-(rsa|ed25519|dss)|ecdsa-sha2-\S+|sk-\S+@openssh\.com) AAAA`), "ssh-key", "an SSH public key"},
	{lazy(`(?m)^ssh-\S+-cert-v01@`), "ssh-key", "an SSH certificate, which is no X.509 certificate"},
	{lazy(`(?mi)^(MIME-Version|Content-Transfer-Encoding|Received): `), "mail", "a mail message"},
	{lazy(`\[p11-kit-object-v1\]`), "p11-kit", "a p11-kit file without a PEM block"},
	{lazy(`Windows Registry Editor|(?m)^REGEDIT4`), "registry", "an export of the Windows registry"},
	{lazy(`(?m)^\s*Certificate:\s*$|Signature Algorithm:|(?m)^\s*Serial Number:`), "text-dump", "the printed text of a certificate, not the certificate"},
	{lazy(`(?m)^\s*(Owner|Alias name|Keystore type|SHA256):|SHA-?256 Fingerprint`), "text-dump", "the printed listing of a certificate, not the certificate"},
	{lazy(`^\s*(<\?xml|<[A-Za-z][\w:.-]*[\s>/])`), "xml", "an XML document without a PEM block"},
	{lazy(`^\s*[\[{]`), "json", "a JSON document without a PEM block"},
	{lazy(`(?m)^(CONNECTED\(|depth=\d|verify error|Certificate chain)|SSL handshake`), "command-output", "the output of a command, without a certificate in it"},
	{lazy(`(?m)^(bash|sh|curl|openssl|wget|\S+): .*(not found|No such|error|denied|refused|resolve)|(?i)^(error|usage|unable to|can't open)`), "command-output", "the error message of a command, not a certificate"},
	{lazy(`(?i)^HTTP/\d`), "command-output", "the head of an answer of a web server"},
}

// sniffBinary names a file that is told by its first bytes.
func sniffBinary(data []byte) (code, what string, ok bool) {
	for _, k := range binaryKinds {
		if bytes.HasPrefix(data, []byte(k.magic)) {
			return k.code, k.what, true
		}
	}
	return "", "", false
}

// maxSniff bounds how much of a text is searched for words.
const maxSniff = 64 << 10

// sniffText names a text without a certificate by its words.
func sniffText(text []byte) (code, what string, ok bool) {
	head := text[:min(len(text), maxSniff)]
	for _, k := range textKinds {
		if k.mark().Match(head) {
			return k.code, k.what, true
		}
	}
	return "", "", false
}
