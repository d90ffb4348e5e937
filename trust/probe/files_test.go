package probe_test

import (
	"bytes"
	"crypto/x509"
	"encoding/pem"
	"slices"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/probe"
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

func TestFiles(t *testing.T) {
	fileVerdicts(t)
	for name, data := range map[string][]byte{"nothing": nil, "text": []byte("hello"), "too large": bytes.Repeat([]byte("x"), probe.MaxFile+1)} {
		if _, err := probe.Files(data, nil, "crane.harbour.test", nil, nil, time.Now()); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
