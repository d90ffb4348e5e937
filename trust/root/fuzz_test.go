package root

import (
	"encoding/pem"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"
)

// seed adds small certificates and odd files to a fuzz target.
func seed(f *testing.F) {
	f.Helper()
	for _, name := range []string{"00-good", "root-serial-negative", "root-trailing-data", "root-CN-newline-ESC", "nc-permit-ok", "root-nc-dirname-only"} {
		data, err := os.ReadFile(filepath.Join(variants, name+".root.pem"))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
		b, _ := pem.Decode(data)
		f.Add(b.Bytes)
		f.Add(certsOnly(true, b.Bytes))
		f.Add(jks(2, jksEntry{alias: "a", cert: b.Bytes}))
	}
	for _, s := range []string{"", "-----BEGIN CERTIFICATE-----", "-----BEGIN X-----\nA: b\n\n-----END X----------BEGIN X-----", "\xff\xfe-\x00", "<html>",
		"0\x80\x06\x09\x2a\x86\x48\x86\xf7\x0d\x01\x07\x02\xa0\x80", "\xfe\xed\xfe\xed\x00\x00\x00\x02\xff\xff\xff\xff", "——-BEGIN%20CERTIFICATE——-%0A"} {
		f.Add([]byte(s))
	}
}

// shown fails for text that must not reach a terminal.
func shown(t *testing.T, limit int, texts ...string) {
	t.Helper()
	for _, s := range texts {
		if !utf8.ValidString(s) || strings.IndexFunc(s, hidden) >= 0 || utf8.RuneCountInString(s) > limit {
			t.Fatalf("not for screens: %q", s)
		}
	}
}

func look(t *testing.T, c *Certificate) {
	t.Helper()
	shown(t, maxName, c.Name())
	shown(t, maxNameText, c.SubjectText(), c.IssuerText())
	if c.Name() == "" || len(c.SubjectHash()) != 8 || SubjectHashOf(c.Raw) != c.SubjectHash() || len(c.SubjectHashOld()) != 8 {
		t.Fatal("no name or hash")
	}
	for _, f := range Vet(c, today, []*Certificate{c}) {
		shown(t, 2000, f.Reason, f.Remedy, f.Code)
	}
	shown(t, 20000, Vouches(c)...)
	for _, r := range Receptions(c) {
		shown(t, 2000, r.Why, r.Library)
	}
}

func FuzzParse(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := Parse(data)
		if err != nil {
			return
		}
		look(t, c)
		again, err := Parse(c.Raw)
		if err != nil || again.Trailing != 0 || again.Fingerprint() != c.Fingerprint() || len(c.Raw)+c.Trailing != len(data) {
			t.Fatalf("the certificate alone reads differently: %v", err)
		}
	})
}

func FuzzScan(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		blocks, faults := Scan(data)
		if len(faults) > maxFaults {
			t.Fatal("faults without bound")
		}
		for _, x := range faults {
			shown(t, 500, x.What, x.Harm, x.Code)
		}
		end := 0
		for _, b := range blocks {
			if b.Start < end || b.End <= b.Start || b.End > len(data) || Of(b.DER) != b.Fingerprint {
				t.Fatalf("offsets %d to %d of %d", b.Start, b.End, len(data))
			}
			end = b.End
			again, faults := Scan((&Certificate{Raw: b.DER}).PEM())
			if len(again) != 1 || again[0].Fingerprint != b.Fingerprint || len(faults) != 0 {
				t.Fatalf("written anew it scans differently: %v", faults)
			}
		}
	})
}

func FuzzRead(f *testing.F) {
	seed(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		file, err := Read(data)
		if err != nil {
			var no *Refusal
			if !errors.As(err, &no) || no.Code == "" || len(file.Items) > 0 {
				t.Fatalf("not refused as it should be: %v", err)
			}
			shown(t, 2000, no.Reason, no.Remedy)
			return
		}
		if len(file.Items) == 0 || len(file.Items) > MaxCertificates || len(file.Notes) > maxNotes {
			t.Fatalf("%d items, %d notes", len(file.Items), len(file.Notes))
		}
		for _, n := range file.Notes {
			shown(t, 500, n)
		}
		for _, i := range file.Items {
			look(t, i.Cert)
			again, err := Read(i.Cert.PEM())
			if err != nil || len(again.Items) != 1 || again.Items[0].Cert.Fingerprint() != i.Cert.Fingerprint() || again.Items[0].Role != i.Role {
				t.Fatalf("written anew it reads differently: %v", err)
			}
		}
	})
}
