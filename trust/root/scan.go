package root

import (
	"bytes"
	"fmt"
	"strings"
)

// Block is one certificate found in a store file.
type Block struct {
	DER         []byte // the certificate alone
	Fingerprint Fingerprint
	Start, End  int    // byte offsets of the block in the file, markers and line end included
	Alias       string // the entry's alias in a Java store as it stands there (see Safe), else empty
}

// Fault is something in a store file that is not a certificate, or not as
// every reader wants it.
type Fault struct {
	Line int    `json:"line"` // 1-based, 0 where the file has no lines
	Code string `json:"code"`
	What string `json:"what"`
	Harm string `json:"harm,omitempty"` // which readers lose what by it, as measured; may be empty
}

// maxFaults bounds the faults told of one file; the last one says so.
const maxFaults = 200

// Scan reads a store file: PEM with anything around it, DER, or a Java key
// store. It is lenient as the readers of a machine are together: every
// certificate that at least one of them would find is found, and everything
// that could cost another reader something is told as a fault. Certificates
// are not parsed beyond their frame; callers bound the size of the file.
func Scan(data []byte) ([]Block, []Fault) {
	var s scanner
	switch {
	case len(bytes.TrimSpace(data)) == 0:
		s.fault(0, "empty", "the file is empty")
	case bytes.HasPrefix(data, magicJKS):
		s.javaStore(data)
	case data[0] == 0x30 && !bytes.Contains(data, markBegin):
		s.binary(data)
	case utf16Order(data) != noUTF16:
		s.fault(1, "utf-16", "the text is UTF-16")
	default:
		s.text(data)
	}
	return s.blocks, s.faults
}

// scanner gathers what Scan returns.
type scanner struct {
	blocks []Block
	faults []Fault
	at     int // what lines were counted up to
	lines  int
}

func (s *scanner) fault(line int, code, what string) {
	if len(s.faults) < maxFaults-1 {
		s.faults = append(s.faults, Fault{Line: line, Code: code, What: what, Harm: harms[code]})
	} else if len(s.faults) == maxFaults-1 {
		s.faults = append(s.faults, Fault{Code: "more", What: fmt.Sprintf("there are more than %d faults in this file; the others are not listed", maxFaults)})
	}
}

// line returns the 1-based line of an offset; offsets only grow.
func (s *scanner) line(data []byte, offset int) int {
	part := data[s.at:offset]
	n := bytes.Count(part, []byte{'\n'})
	if n == 0 && bytes.IndexByte(data[:min(len(data), 4096)], '\n') < 0 {
		n = bytes.Count(part, []byte{'\r'}) // a file with CR alone
	}
	s.at, s.lines = offset, s.lines+n
	return s.lines + 1
}

// text scans PEM.
func (s *scanner) text(data []byte) {
	web := looksLikeWeb(data)
	if web {
		s.fault(1, "web-page", "this is a web page, not a certificate")
	}
	found := false
	for from := 0; ; {
		b, ok := nextPEM(data, from)
		if !ok {
			break
		}
		found, from = true, max(b.end, b.start+len(markBegin))
		s.pem(b, s.line(data, b.start))
	}
	if !found && !web {
		s.fault(1, "no-certificate", "there is no PEM block in this text")
	}
}

// pem takes one block.
func (s *scanner) pem(b pemBlock, line int) {
	switch b.before {
	case afterBOM:
		s.fault(line, "byte-order-mark", "a UTF-8 byte order mark stands before the block")
	case afterMarker:
		s.fault(line, "glued", "this BEGIN marker stands right behind the END marker of the block before")
	case afterBlanks:
		s.fault(line, "indented", "the block is indented")
	case afterText:
		s.fault(line, "mid-line", "text stands before the BEGIN marker on its line")
	}
	if b.label != "CERTIFICATE" && !s.otherLabel(b, line) {
		return
	}
	switch {
	case b.fault == faultTruncated:
		s.fault(line, "truncated", "the block has no END marker")
		return
	case b.headers:
		s.fault(line, "headers", "there are header lines within the block")
		return
	case b.fault == faultMarkers:
		s.fault(line, "markers-differ", "the BEGIN and END markers of the block differ")
	case bytes.IndexByte(b.body, '\n') < 0 && bytes.IndexByte(b.body, '\r') >= 0:
		s.fault(line, "cr-only", "the lines end in CR alone")
	case bytes.IndexByte(b.body, '\n') < 0:
		s.fault(line, "one-line", "the line ends of the block are lost")
	case bytes.Contains(b.body, []byte("\n\n")):
		s.fault(line, "blank-lines", "there are empty lines within the block")
	}
	s.content(b, line)
}

// otherLabel tells what a block that is not labelled CERTIFICATE costs, and
// whether some reader takes it for a certificate nevertheless.
func (s *scanner) otherLabel(b pemBlock, line int) bool {
	label, shown := b.label, Safe(b.label, maxName)
	switch {
	case isKeyLabel(label):
		s.fault(line, "private-key", "a private key lies in this file")
		return false
	case label == "TRUSTED CERTIFICATE":
		s.fault(line, "trusted-certificate", "the block is labelled TRUSTED CERTIFICATE and carries trust settings of OpenSSL")
	case label == "X509 CERTIFICATE":
		s.fault(line, "old-label", "the block is labelled X509 CERTIFICATE")
	case label == "CERTIFICATE REQUEST":
		s.fault(line, "csr", "a certificate request lies in this file")
		return false
	case strings.HasPrefix(label, "CERTIFICATE"):
		s.fault(line, "other-label", "the block is labelled "+shown)
	default:
		s.fault(line, "other-block", "a block of the kind "+shown+" lies in this file")
		if _, missing, ok := decode64(b.body); (missing || !ok) && !b.headers {
			s.fault(line, "bad-base64", "the block is no valid base64") // costs OpenSSL as much as a bad certificate
		}
		return false
	}
	return true
}

// content takes what a certificate block holds.
func (s *scanner) content(b pemBlock, line int) {
	der, missing, ok := decode64(b.body)
	switch {
	case !ok:
		s.fault(line, "bad-base64", "the block is no valid base64")
		return
	case missing:
		s.fault(line, "no-padding", "the base64 of the block lacks its '=' at the end")
	case len(der) == 0:
		s.fault(line, "no-der", "there is nothing between the markers")
		return
	}
	one, rest, err := frame(der)
	if err != nil {
		what := "the block holds no certificate: " + err.Error()
		switch {
		case keyForm(der) != "":
			s.fault(line, "private-key", "a private key lies in this file under a certificate's label")
			return
		case isPKCS7(der):
			what = "the block holds PKCS#7, not a certificate"
		}
		s.fault(line, "no-der", what)
		return
	}
	if len(rest) > 0 && b.label != "TRUSTED CERTIFICATE" {
		s.fault(line, "trailing-bytes", fmt.Sprintf("%d bytes follow the certificate within its block", len(rest)))
	}
	s.blocks = append(s.blocks, Block{DER: one, Fingerprint: Of(one), Start: b.start, End: b.end})
}

// binary scans DER: a certificate, as Java reads it, or what else begins with
// a SEQUENCE.
func (s *scanner) binary(data []byte) {
	one, rest, err := frame(data)
	switch {
	case err == nil:
		s.fault(0, "der", "this is a certificate in DER")
		s.blocks = append(s.blocks, Block{DER: one, Fingerprint: Of(one), Start: 0, End: len(one)})
		if len(rest) > 0 {
			s.fault(0, "trailing-bytes", fmt.Sprintf("%d bytes follow the certificate", len(rest)))
		}
	case keyForm(data) != "":
		s.fault(0, "private-key", "this is a private key ("+keyForm(data)+")")
	case isPKCS12(data):
		s.fault(0, "pkcs12-store", "this is a PKCS#12 store")
	case isPKCS7(data):
		s.fault(0, "pkcs7", "this is PKCS#7, not a certificate")
	default:
		s.fault(0, "no-der", "this is no certificate: "+err.Error())
	}
}

// isKeyLabel reports labels of private keys: all that RFC 7468, RFC 5958,
// OpenSSH, OpenPGP and older tools use hold these words.
func isKeyLabel(label string) bool {
	l := strings.ToUpper(label)
	return strings.Contains(l, "PRIVATE") || strings.Contains(l, "SECRET KEY") || strings.HasSuffix(l, " KEY") && !strings.Contains(l, "PUBLIC")
}
