package root

import (
	"bytes"
	"encoding/base64"
	"slices"
	"strings"
	"testing"
)

// TestScanFindsWhatReadersFind: one odd block between two good ones, measured
// with OpenSSL 3.0.19, GnuTLS 3.7.9, Go 1.26 and OpenJDK 17. found says
// whether any of them reads the odd one.
func TestScanFindsWhatReadersFind(t *testing.T) {
	a, der, z := toPEM("CERTIFICATE", rootDER(t, "A")), rootDER(t, "Odd"), toPEM("CERTIFICATE", rootDER(t, "Z"))
	p := toPEM("CERTIFICATE", der)
	b64 := base64.StdEncoding.EncodeToString(der)
	for name, c := range map[string]struct {
		odd   string
		found bool
		code  string // of its only fault, empty for none
	}{
		"good":              {p, true, ""},
		"CRLF":              {strings.ReplaceAll(p, "\n", "\r\n"), true, ""},
		"bag attributes":    {"Bag Attributes\n  friendlyName: x\n" + p, true, ""},
		"p11-kit":           {"[p11-kit-object-v1]\ntrusted: true\n" + p, true, ""},
		"trailing blanks":   {eachLine(p, "", "  "), true, ""},
		"long line":         {"-----BEGIN CERTIFICATE-----\n" + b64 + "\n-----END CERTIFICATE-----\n", true, ""},
		"old label":         {toPEM("X509 CERTIFICATE", der), true, "old-label"},
		"other label":       {toPEM("CERTIFICATE CHAIN", der), true, "other-label"},
		"trusted":           {toPEM("TRUSTED CERTIFICATE", append(bytes.Clone(der), 0x30, 0)), true, "trusted-certificate"},
		"indented":          {eachLine(p, "  ", ""), true, "indented"},
		"mark":              {"\ufeff" + p, true, "byte-order-mark"},
		"in a line":         {"x " + p, true, "mid-line"},
		"one line":          {strings.ReplaceAll(strings.TrimSpace(p), "\n", " ") + "\n", true, "one-line"},
		"CR":                {strings.ReplaceAll(strings.TrimSpace(p), "\n", "\r") + "\n", true, "cr-only"},
		"blank lines":       {strings.ReplaceAll(p, "\n", "\n\n"), true, "blank-lines"},
		"markers differ":    {strings.Replace(p, "END CERT", "END X509 CERT", 1), true, "markers-differ"},
		"bytes behind":      {toPEM("CERTIFICATE", append(bytes.Clone(der), 0, 0)), true, "trailing-bytes"},
		"headers":           {strings.Replace(p, "-----\n", "-----\nComment: x\n\n", 1), false, "headers"},
		"no END":            {p[:300] + "\n", false, "truncated"},
		"bad base64":        {strings.Replace(p, p[90:94], "!!!!", 1), false, "bad-base64"},
		"comment within":    {strings.Replace(p, "\n", "  # x\n", 2), false, "bad-base64"},
		"no DER":            {toPEM("CERTIFICATE", []byte("this is no DER")), false, "no-der"},
		"nothing within":    {"-----BEGIN CERTIFICATE-----\n-----END CERTIFICATE-----\n", false, "no-der"},
		"PKCS#7 within":     {toPEM("CERTIFICATE", certsOnly(false, der)), false, "no-der"},
		"request":           {toPEM("CERTIFICATE REQUEST", []byte("x")), false, "csr"},
		"key":               {toPEM("EC PRIVATE KEY", []byte("x")), false, "private-key"},
		"public key":        {toPEM("PUBLIC KEY", []byte("x")), false, "other-block"},
		"PKCS#7":            {toPEM("PKCS7", certsOnly(false, der)), false, "other-block"},
		"key, false label":  {toPEM("CERTIFICATE", tlv(0x30, []byte{2, 1, 1}, tlv(4, make([]byte, 32)))), false, "private-key"},
		"lower-case marker": {strings.Replace(p, "BEGIN CERT", "Begin Cert", 1), false, ""},
	} {
		data := a + c.odd + z
		blocks, faults := Scan([]byte(data))
		var got []Fingerprint
		for _, b := range blocks {
			got = append(got, b.Fingerprint)
		}
		want := []Fingerprint{blockOf(a), Of(der), blockOf(z)}
		if !c.found {
			want = slices.Delete(want, 1, 2)
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: %d certificates found, want %d", name, len(got), len(want))
		}
		if c.code == "" != (len(faults) == 0) || c.code != "" && (len(faults) != 1 || faults[0].Code != c.code) {
			t.Errorf("%s: faults %v, want %q", name, faults, c.code)
			continue
		}
		for _, f := range faults {
			if f.Line < 1+strings.Count(a, "\n") || f.Line > 4+strings.Count(a, "\n") || f.What == "" || f.Harm == "" {
				t.Errorf("%s: told badly: %+v", name, f)
			}
		}
	}
}

func blockOf(p string) Fingerprint {
	b, _ := nextPEM([]byte(p), 0)
	der, _, _ := decode64(b.body)
	return Of(der)
}

// TestScanGlued: two blocks without a line end between; GnuTLS reads all
// three, so all three are there.
func TestScanGlued(t *testing.T) {
	a, b, z := toPEM("CERTIFICATE", rootDER(t, "A")), toPEM("CERTIFICATE", rootDER(t, "B")), toPEM("CERTIFICATE", rootDER(t, "Z"))
	blocks, faults := Scan([]byte(strings.TrimSpace(a) + strings.TrimSpace(b) + z))
	if len(blocks) != 3 || len(faults) != 2 || faults[0].Code != "glued" || faults[0].Line != strings.Count(a, "\n") {
		t.Errorf("%d blocks, %v", len(blocks), faults)
	}
}

// TestScanWholeFiles: forms that concern a file as a whole.
func TestScanWholeFiles(t *testing.T) {
	der := rootDER(t, "Lab")
	p := toPEM("CERTIFICATE", der)
	pfx := tlv(0x30, []byte{2, 1, 3}, tlv(0x30, oidPKCS7, []byte{1}))
	for name, c := range map[string]struct {
		data string
		n    int
		code string
	}{
		"empty":      {"", 0, "empty"},
		"line end":   {"\n", 0, "empty"},
		"web page":   {"<html><body></body></html>", 0, "web-page"},
		"prose":      {"nothing here\n", 0, "no-certificate"},
		"UTF-16":     {string(wide(p, false, true)), 0, "utf-16"},
		"DER":        {string(der), 1, "der"},
		"PKCS#7":     {string(certsOnly(true, der)), 0, "pkcs7"},
		"PKCS#12":    {string(pfx), 0, "pkcs12-store"},
		"key in DER": {string(tlv(0x30, []byte{2, 1, 1}, tlv(4, make([]byte, 32)))), 0, "private-key"},
		"torn DER":   {string(der[:200]), 0, "no-der"},
		"mark":       {"\ufeff" + p, 1, "byte-order-mark"},
	} {
		blocks, faults := Scan([]byte(c.data))
		if len(blocks) != c.n || len(faults) != 1 || faults[0].Code != c.code || faults[0].Harm == "" {
			t.Errorf("%s: %d blocks, %v", name, len(blocks), faults)
		}
	}
	blocks, _ := Scan([]byte("<html>" + strings.Repeat("-----BEGIN CERTIFICATE-----\n", 500)))
	_, faults := Scan([]byte(strings.Repeat("-----BEGIN CERTIFICATE-----\n", 500)))
	if len(blocks) != 0 || len(faults) != maxFaults || faults[maxFaults-1].Code != "more" {
		t.Errorf("faults without end: %d", len(faults))
	}
}

// TestScanOffsets: cutting blocks out leaves the rest of the file as it was.
func TestScanOffsets(t *testing.T) {
	a, b := toPEM("CERTIFICATE", rootDER(t, "A")), strings.ReplaceAll(toPEM("CERTIFICATE", rootDER(t, "B")), "\n", "\r\n")
	data := "# first\n" + a + "# second\r\n" + b + "# end"
	blocks, _ := Scan([]byte(data))
	if len(blocks) != 2 {
		t.Fatalf("%d blocks", len(blocks))
	}
	if got := data[blocks[0].Start:blocks[0].End]; got != a {
		t.Errorf("first block: %q", got)
	}
	if got := data[blocks[1].Start:blocks[1].End]; got != b {
		t.Errorf("second block: %q", got)
	}
}
