package root

import (
	"bytes"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"strings"
	"testing"
	"testing/iotest"
	"unicode/utf16"
)

func wide(s string, big, mark bool) []byte {
	var out []byte
	if mark {
		s = "\ufeff" + s
	}
	for _, u := range utf16.Encode([]rune(s)) {
		if big {
			out = append(out, byte(u>>8), byte(u))
		} else {
			out = append(out, byte(u), byte(u>>8))
		}
	}
	return out
}

func eachLine(s, before, after string) string {
	var out strings.Builder
	for l := range strings.Lines(s) {
		out.WriteString(before + strings.TrimRight(l, "\n") + after + "\n")
	}
	return out.String()
}

// certsOnly wraps certificates into PKCS#7 (RFC 5652 5.1), in DER or in BER
// with indefinite lengths.
func certsOnly(ber bool, certs ...[]byte) []byte {
	wrap := func(tag byte, parts ...[]byte) []byte {
		if !ber {
			return tlv(tag, parts...)
		}
		return append(append([]byte{tag, 0x80}, bytes.Join(parts, nil)...), 0, 0)
	}
	data := tlv(0x06, oidSignedData[2:len(oidSignedData)-1], []byte{1})
	return wrap(0x30, oidSignedData, wrap(0xa0, wrap(0x30, []byte{2, 1, 1}, tlv(0x31), wrap(0x30, data), wrap(0xa0, certs...), tlv(0x31))))
}

// TestReadEveryShape: the same root out of every file that somebody may hand
// over.
func TestReadEveryShape(t *testing.T) {
	der := rootDER(t, "Harbour Lab Root CA")
	p := toPEM("CERTIFICATE", der)
	b64 := base64.StdEncoding.EncodeToString(der)
	oneLine := strings.ReplaceAll(p, "\n", " ")
	literal := strings.ReplaceAll(p, "\n", `\n`)
	shapes := map[string]string{
		"as it should be":        p,
		"CRLF":                   strings.ReplaceAll(p, "\n", "\r\n"),
		"CR alone":               strings.ReplaceAll(p, "\n", "\r"),
		"no last line end":       strings.TrimRight(p, "\n"),
		"UTF-8 mark":             "\ufeff" + p,
		"two UTF-8 marks":        "\ufeff\ufeff" + p,
		"UTF-16 LE with mark":    string(wide(strings.ReplaceAll(p, "\n", "\r\n"), false, true)),
		"UTF-16 LE":              string(wide(p, false, false)),
		"UTF-16 BE with mark":    string(wide(p, true, true)),
		"UTF-16 BE":              string(wide(p, true, false)),
		"UTF-32 LE":              "\xff\xfe\x00\x00" + strings.Join(strings.Split(p, ""), "\x00\x00\x00") + "\x00\x00\x00",
		"NUL at the end":         p + "\x00",
		"indented":               eachLine(p, "    ", ""),
		"indented by tabs":       eachLine(p, "\t", ""),
		"trailing blanks":        eachLine(p, "", "  \t"),
		"quoted mail":            eachLine(p, "> ", ""),
		"quoted twice":           eachLine(p, "> > ", ""),
		"commented out":          eachLine(p, "# ", ""),
		"in source code":         eachLine(p, `  "`, `\n" +`),
		"in an array":            eachLine(p, `"`, `",`),
		"header lines":           strings.Replace(p, "-----\n", "-----\nComment: of 2024\nX-Note: more\n\n", 1),
		"X509 CERTIFICATE":       toPEM("X509 CERTIFICATE", der),
		"any label":              toPEM("ROOT CERTIFICATE", der),
		"markers differ":         strings.Replace(p, "END CERTIFICATE", "END X509 CERTIFICATE", 1),
		"END missing":            strings.Split(p, "-----END")[0],
		"END torn":               strings.Split(p, "FICATE-----\n")[0] + "FICATE-----\n" + strings.Split(p, "FICATE-----\n")[1] + "FICA",
		"four hyphens":           strings.ReplaceAll(p, "-----", "----"),
		"en dashes":              strings.ReplaceAll(p, "-----", "–––––"),
		"em dashes":              strings.ReplaceAll(p, "-----", "——-"),
		"dashes of Windows-1252": strings.ReplaceAll(p, "-----", "\x97\x97-"),
		"hard blanks":            strings.ReplaceAll(p, "BEGIN CERTIFICATE", "BEGIN\u00a0CERTIFICATE"),
		"zero width":             strings.ReplaceAll(p, "\n", "\u200b\n"),
		"lower case markers":     strings.NewReplacer("BEGIN CERT", "Begin Cert", "END CERT", "End Cert").Replace(p),
		"line ends lost":         oneLine,
		"line ends gone":         strings.ReplaceAll(p, "\n", ""),
		"literal line ends":      literal,
		"literal CRLF":           strings.ReplaceAll(p, "\n", `\r\n`),
		"JSON":                   `{"name": "harbour", "ca": "` + strings.ReplaceAll(literal, "/", `\/`) + `"}`,
		"environment":            "CA_CERT=\"" + literal + "\"\n",
		"YAML":                   "ca: |\n" + eachLine(p, "  ", ""),
		"XML entities":           "<ca>" + strings.ReplaceAll(p, "\n", "&#10;") + "</ca>",
		"percent encoding":       strings.NewReplacer(" ", "%20", "\n", "%0A", "+", "%2B", "/", "%2F", "=", "%3D").Replace(p),
		"quoted-printable":       strings.ReplaceAll(p, "=", "=3D"),
		"base64 alone":           b64,
		"base64 in lines":        strings.Join(strings.SplitAfter(b64, "A"), "\n"),
		"base64url":              strings.TrimRight(base64.URLEncoding.EncodeToString(der), "="),
		"base64 of PEM":          base64.StdEncoding.EncodeToString([]byte(p)),
		"data URL":               "data:application/x-x509-ca-cert;base64," + b64,
		"hexadecimal":            hex.EncodeToString(der),
		"padding lost":           strings.ReplaceAll(p, "=", ""),
		"DER":                    string(der),
		"DER, line end behind":   string(der) + "\r\n",
		"PEM of PEM":             toPEM("CERTIFICATE", []byte(p)),
		"PKCS#7":                 string(certsOnly(false, der)),
		"PKCS#7 in BER":          string(certsOnly(true, der)),
		"PKCS#7 in PEM":          toPEM("PKCS7", certsOnly(false, der)),
		"PKCS#7, false label":    toPEM("CERTIFICATE", certsOnly(true, der)),
		"PKCS#7 in base64":       base64.StdEncoding.EncodeToString(certsOnly(false, der)),
		"bag attributes":         "Bag Attributes\n    friendlyName: Harbour: do not lose\nsubject=O = Harbour Lab\n" + p,
		"p11-kit section":        "[p11-kit-object-v1]\nclass: certificate\ntrusted: true\n" + p,
		"comments":               "# copy 2 of 3\n\n" + p + "# end\n",
		"with a request":         p + toPEM("CERTIFICATE REQUEST", []byte("x")),
		"a torn one behind":      p + p[:200],
		"zeros behind":           toPEM("CERTIFICATE", append(bytes.Clone(der), 0, 0)),
		"Java key store":         string(jks(2, jksEntry{alias: "harbour", cert: der})),
	}
	for name, data := range shapes {
		f, err := Read([]byte(data))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if len(f.Items) != 1 || !bytes.Equal(f.Items[0].Cert.Raw, der) || f.Items[0].Refused != nil || f.Items[0].Role != RoleRoot || f.Form == "" {
			t.Errorf("%s: %d certificates, form %q, notes %q", name, len(f.Items), f.Form, f.Notes)
		}
	}
}

// TestReadSeveral: each certificate once, with its role and how often it was
// there.
func TestReadSeveral(t *testing.T) {
	lab, depot := rootDER(t, "Lab"), rootDER(t, "Depot")
	issuing, leaf := below(t, "Issuing", "Lab", true), below(t, "crane.harbour.test", "Lab", false)
	for name, data := range map[string]string{
		"PEM":              toPEM("CERTIFICATE", leaf) + toPEM("CERTIFICATE", issuing) + toPEM("CERTIFICATE", lab) + toPEM("CERTIFICATE", depot) + toPEM("CERTIFICATE", lab),
		"no line ends":     strings.ReplaceAll(toPEM("CERTIFICATE", leaf)+toPEM("CERTIFICATE", issuing)+toPEM("CERTIFICATE", lab)+toPEM("CERTIFICATE", depot)+toPEM("CERTIFICATE", lab), "-----\n-----", "----------"),
		"DER behind DER":   string(bytes.Join([][]byte{leaf, issuing, lab, depot, lab}, nil)),
		"DER in one block": toPEM("CERTIFICATE", bytes.Join([][]byte{leaf, issuing, lab, depot, lab}, nil)),
		"PKCS#7":           string(certsOnly(true, leaf, issuing, lab, depot, lab)),
	} {
		f, err := Read([]byte(data))
		if err != nil || len(f.Items) != 4 {
			t.Errorf("%s: %d certificates, %v", name, len(f.Items), err)
			continue
		}
		for i, want := range []struct {
			role    Role
			refused string
			copies  int
		}{{RoleServer, "end-entity", 1}, {RoleIssuing, "issuing-ca", 1}, {RoleRoot, "", 2}, {RoleRoot, "", 1}} {
			got, code := f.Items[i], ""
			if got.Refused != nil {
				code = got.Refused.Code
			}
			if got.Role != want.role || code != want.refused || got.Copies != want.copies || got.Cert.Trailing != 0 {
				t.Errorf("%s, item %d: %s %q %d copies", name, i, got.Role, code, got.Copies)
			}
		}
		if len(f.Roots()) != 2 {
			t.Errorf("%s: %d roots", name, len(f.Roots()))
		}
	}
	no := parse(t, leaf).refusal()
	for _, word := range []string{"crane.harbour.test", "Lab", "basicConstraints"} {
		if !strings.Contains(no.Reason, word) {
			t.Errorf("the refusal does not name %s: %s", word, no.Reason)
		}
	}
	if f, err := Read([]byte(toPEM("CERTIFICATE", leaf))); err != nil || len(f.Roots()) != 0 {
		t.Errorf("a file without a root must list what it holds: %v", err)
	}
}

// TestReadRefuses: what is no certificate is refused by its name.
func TestReadRefuses(t *testing.T) {
	der := rootDER(t, "Lab")
	p := toPEM("CERTIFICATE", der)
	rsaPublic := tlv(0x30, tlv(2, append([]byte{0}, bytes.Repeat([]byte{0xaa}, 128)...)), []byte{2, 3, 1, 0, 1})
	pfx := tlv(0x30, []byte{2, 1, 3}, tlv(0x30, oidPKCS7, []byte{1}))
	for name, c := range map[string]struct{ data, code string }{
		"nothing":               {"", "empty"},
		"a line end":            {"\n", "empty"},
		"blanks and NUL":        {" \t\r\n\x00\x00", "empty"},
		"page":                  {"<!DOCTYPE html>\r\n<html><head></head></html>", "web-page"},
		"page with marker":      {"\xef\xbb\xbf\n<html>\n<!-- -----BEGIN CERTIFICATE----- --></html>", "web-page"},
		"page with certificate": {"<html><pre>\n" + p + "</pre></html>", "web-page"},
		"page in UTF-16":        {string(wide("<html><body>sign in</body></html>", false, true)), "web-page"},
		"answer with head":      {"HTTP/1.1 502 Bad Gateway\r\nContent-Type: text/html\r\n\r\n<html></html>", "web-page"},
		"PKCS#12":               {string(pfx), "pkcs12"},
		"PKCS#12 in base64":     {base64.StdEncoding.EncodeToString(append(pfx, make([]byte, 40)...)), "pkcs12"},
		"PKCS#12 under a label": {toPEM("CERTIFICATE", pfx), "pkcs12"},
		"signed message":        {string(bytes.Replace(certsOnly(true, der), []byte{0x31, 0, 0, 0}, []byte{0x31, 2, 0x30, 0, 0, 0}, 1)), "signed-message"},
		"PKCS#7 without any":    {string(certsOnly(false)), "pkcs7"},
		"PKCS#7 cut off":        {string(certsOnly(false, der)[:300]), "pkcs7"},
		"TRUSTED":               {toPEM("TRUSTED CERTIFICATE", append(bytes.Clone(der), 0x30, 0)), "trusted-certificate"},
		"request":               {toPEM("CERTIFICATE REQUEST", []byte("x")), "csr"},
		"new request":           {toPEM("NEW CERTIFICATE REQUEST", []byte("x")), "csr"},
		"request in DER":        {string(tlv(0x30, tlv(0x30, []byte{2, 1, 0}, tlv(0x30), tlv(0x30), tlv(0xa0)), tlv(0x30), tlv(3, []byte{0}))), "csr"},
		"revocation list":       {toPEM("X509 CRL", []byte("x")), "crl"},
		"revocation list, DER":  {string(tlv(0x30, tlv(0x30, []byte{2, 1, 1}, tlv(0x30), tlv(0x30), tlv(0x17, []byte("261125000000Z"))), tlv(0x30), tlv(3, []byte{0}))), "crl"},
		"public key":            {toPEM("PUBLIC KEY", []byte("x")), "public-key"},
		"public key in DER":     {string(parse(t, der).SPKI), "public-key"},
		"RSA public key":        {string(rsaPublic), "public-key"},
		"parameters":            {toPEM("EC PARAMETERS", []byte("x")), "parameters"},
		"OpenPGP":               {toPEM("PGP PUBLIC KEY BLOCK", []byte("x")), "pgp"},
		"SSH key":               {"ssh-ed25519 AAAAC3NzaC1lZDI1NTE5 me@harbour.test\n", "ssh-key"},
		"gzip":                  {"\x1f\x8b\x08\x00", "archive"},
		"zip":                   {"PK\x03\x04....", "archive"},
		"PDF":                   {"%PDF-1.7\n", "document"},
		"picture":               {"\x89PNG\r\n", "picture"},
		"database":              {"SQLite format 3\x00", "database"},
		"JCEKS":                 {"\xce\xce\xce\xce\x00\x00\x00\x02", "java-keystore"},
		"torn JKS":              {string(jks(2, jksEntry{alias: "a", cert: der})[:60]), "java-keystore"},
		"serialized store":      {"\x00\x00\x00\x00CERT", "serialized-store"},
		"JSON":                  {`{"error": "not found"}`, "json"},
		"XML":                   {`<?xml version="1.0"?><a/>`, "xml"},
		"printed text":          {"Certificate:\n    Data:\n        Version: 3 (0x2)\n", "text-dump"},
		"command's error":       {"curl: (6) Could not resolve host: ca.harbour.test\n", "command-output"},
		"registry":              {string(wide("Windows Registry Editor Version 5.00\r\n", false, true)), "registry"},
		"cut off":               {p[:200], "truncated"},
		"DER cut off":           {string(der[:200]), "truncated"},
		"lying length":          {"\x30\x84\x7f\xff\xff\xf0" + string(der), "truncated"},
		"bad base64":            {strings.Replace(p, p[100:104], "!?!?", 1), "bad-base64"},
		"empty block":           {"-----BEGIN CERTIFICATE-----\n-----END CERTIFICATE-----\n", "empty-block"},
		"something else within": {toPEM("CERTIFICATE", []byte("this is no DER at all")), "no-certificate"},
		"mail":                  {"From: ca@harbour.test\nMIME-Version: 1.0\nContent-Type: application/pkix-cert\n\nMIIB\n", "mail"},
		"prose":                 {"Please begin - the certificate follows by mail.\n", "unknown-form"},
		"too large":             {strings.Repeat("# padding\n", MaxFile/10+1) + p, "too-large"},
	} {
		f, err := Read([]byte(c.data))
		var no *Refusal
		if !errors.As(err, &no) {
			t.Errorf("%s: no refusal but %d certificates, %v", name, len(f.Items), err)
			continue
		}
		if no.Code != c.code || no.Reason == "" || no.Remedy == "" {
			t.Errorf("%s: refused as %q (%s), want %q", name, no.Code, no.Reason, c.code)
		}
	}
	if _, err := Read([]byte("<html></html>")); !strings.Contains(err.Error(), "a web page, not a certificate") {
		t.Errorf("the words for a web page: %v", err)
	}
}

func TestReadBounds(t *testing.T) {
	var many strings.Builder
	for i := range MaxCertificates + 1 {
		many.WriteString(toPEM("CERTIFICATE", rootDER(t, "Bulk "+strings.Repeat("x", i%7)+string(rune('a'+i%26))+hex.EncodeToString([]byte{byte(i)}))))
	}
	var no *Refusal
	if _, err := Read([]byte(many.String())); !errors.As(err, &no) || no.Code != "too-many" || !strings.Contains(no.Reason, "100") {
		t.Errorf("over the number of certificates: %v", err)
	}
	counted := &countingReader{}
	if _, err := ReadFrom(counted); !errors.As(err, &no) || no.Code != "too-large" || !strings.Contains(no.Reason, "1048576") {
		t.Errorf("an endless file: %v", err)
	}
	if counted.n > MaxFile+1 {
		t.Errorf("%d bytes were read of an endless file", counted.n)
	}
	if _, err := ReadFrom(iotest.ErrReader(errors.New("no such luck"))); !errors.As(err, &no) || no.Code != "unreadable" {
		t.Errorf("a file that cannot be read: %v", err)
	}
	deep := []byte(toPEM("CERTIFICATE", rootDER(t, "Deep")))
	for range maxWrapping + 2 {
		deep = []byte(base64.StdEncoding.EncodeToString(deep))
	}
	if _, err := Read(deep); err == nil {
		t.Error("wrappings without end were taken off")
	}
}

type countingReader struct{ n int }

func (c *countingReader) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = '#'
	}
	c.n += len(p)
	return len(p), nil
}
