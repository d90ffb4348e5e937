package probe_test

import (
	"bytes"
	"crypto/x509"
	"encoding/asn1"
	"encoding/pem"
	"slices"
	"testing"
	"time"

	"golang.org/x/crypto/cryptobyte"
	der "golang.org/x/crypto/cryptobyte/asn1"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/probe"
	"anchorhold.test/anchorhold/trust/root"
)

func pemOf(kind string, ders ...[]byte) []byte {
	var b bytes.Buffer
	for _, d := range ders {
		pem.Encode(&b, &pem.Block{Type: kind, Bytes: d})
	}
	return b.Bytes()
}

// fileVerdicts judges files before they are installed; by the code that is
// found in each.
func fileVerdicts(t *testing.T) map[string]trust.Verdict {
	t.Helper()
	r := newRoot(t, "Harbour Root 2026")
	i := r.issuer(t, "Harbour Issuing")
	s, other := i.server(t), i.server(t)
	key, err := x509.MarshalPKCS8PrivateKey(s.key)
	if err != nil {
		t.Fatal(err)
	}
	sec1, err := x509.MarshalECPrivateKey(s.key)
	if err != nil {
		t.Fatal(err)
	}
	wrong, err := x509.MarshalPKCS8PrivateKey(other.key)
	if err != nil {
		t.Fatal(err)
	}
	chain := pemOf("CERTIFICATE", s.Raw, i.Raw)
	verdicts := map[string]trust.Verdict{}
	for code, c := range map[string]struct {
		chain, key []byte
		answer     trust.Answer
	}{
		"key-fits":       {chain, pemOf("PRIVATE KEY", key), trust.Verifies},
		"key-mismatch":   {chain, pemOf("PRIVATE KEY", wrong), trust.Fails},
		"key-unreadable": {chain, []byte("no key"), trust.Fails},
		"key-unchecked":  {chain, pemOf("ENCRYPTED PRIVATE KEY", []byte{0x30, 0}), trust.Verifies},
		"leaf-not-first": {pemOf("CERTIFICATE", i.Raw, s.Raw), nil, trust.Fails},
		"file-form":      {s.Raw, nil, trust.Fails},
		"file-fault":     {append([]byte("\xef\xbb\xbf"), chain...), nil, trust.Verifies},
	} {
		v, err := probe.Files(c.chain, c.key, "crane.harbour.test", rootsOf([]party{r}), nil, time.Now())
		if err != nil {
			t.Errorf("%s: %v", code, err)
			continue
		}
		if v.Answer != c.answer || !slices.ContainsFunc(findings(v), func(f trust.ServiceFinding) bool { return f.Code == code }) {
			t.Errorf("%s: %s %+v", code, v.Answer, findings(v))
		}
		verdicts[code] = v
	}
	for name, k := range map[string][]byte{"SEC 1": pemOf("EC PRIVATE KEY", sec1), "chain and key in one": append(pemOf("PRIVATE KEY", key), chain...)} {
		v, err := probe.Files(append(bytes.Clone(chain), k...), k, "crane.harbour.test", rootsOf([]party{r}), nil, time.Now())
		if err != nil || v.Answer != trust.Verifies {
			t.Errorf("%s: %v %+v", name, err, findings(v))
		}
	}
	return verdicts
}

// certsOnly is PKCS#7 with certificates alone (RFC 5652 5.1), as some CAs hand
// out.
func certsOnly(ders ...[]byte) []byte {
	var b cryptobyte.Builder
	set, inner := der.SET, der.Tag(0).ContextSpecific().Constructed()
	b.AddASN1(der.SEQUENCE, func(b *cryptobyte.Builder) {
		b.AddASN1ObjectIdentifier(asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 7, 2})
		b.AddASN1(inner, func(b *cryptobyte.Builder) {
			b.AddASN1(der.SEQUENCE, func(b *cryptobyte.Builder) {
				b.AddASN1Int64(1)
				b.AddASN1(set, func(*cryptobyte.Builder) {})
				b.AddASN1(der.SEQUENCE, func(b *cryptobyte.Builder) {
					b.AddASN1ObjectIdentifier(asn1.ObjectIdentifier{1, 2, 840, 113549, 1, 7, 1})
				})
				b.AddASN1(inner, func(b *cryptobyte.Builder) { b.AddBytes(bytes.Join(ders, nil)) })
				b.AddASN1(set, func(*cryptobyte.Builder) {})
			})
		})
	})
	return b.BytesOrPanic()
}

// TestFilesInPKCS7 judges what a CA handed out whole, in whatever order.
func TestFilesInPKCS7(t *testing.T) {
	r := newRoot(t, "Harbour Root 2026")
	i := r.issuer(t, "Harbour Issuing")
	s := i.server(t)
	for name, file := range map[string][]byte{
		"DER": certsOnly(s.Raw, i.Raw), "issuer first": certsOnly(i.Raw, s.Raw), "PEM": pemOf("PKCS7", certsOnly(i.Raw, s.Raw)),
	} {
		v, err := probe.Files(file, nil, "crane.harbour.test", rootsOf([]party{r}), nil, time.Now())
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if codes := codesOf(v); v.Answer != trust.Verifies || !slices.Equal(codes, []string{"file-form"}) {
			t.Errorf("%s: %s %v", name, v.Answer, codes)
		}
	}
	if _, err := probe.Files(certsOnly(), nil, "crane.harbour.test", nil, nil, time.Now()); err == nil {
		t.Error("PKCS#7 without a certificate: no error")
	}
}

// TestFilesInDER tells one thing about a form once.
func TestFilesInDER(t *testing.T) {
	r := newRoot(t, "Harbour Root 2026")
	v, err := probe.Files(r.server(t).Raw, nil, "crane.harbour.test", rootsOf([]party{r}), nil, time.Now())
	if codes := codesOf(v); err != nil || v.Answer != trust.Verifies || !slices.Equal(codes, []string{"file-form"}) {
		t.Errorf("%s %v %v", v.Answer, codes, err)
	}
}

// codesOf lists what is more than a note.
func codesOf(v trust.Verdict) []string {
	var codes []string
	for _, f := range findings(v) {
		if f.Severity != root.Note {
			codes = append(codes, f.Code)
		}
	}
	return codes
}

func TestFiles(t *testing.T) {
	fileVerdicts(t)
	for name, data := range map[string][]byte{"nothing": nil, "text": []byte("hello"), "too large": bytes.Repeat([]byte("x"), probe.MaxFile+1)} {
		if _, err := probe.Files(data, nil, "crane.harbour.test", nil, nil, time.Now()); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
