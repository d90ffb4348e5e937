package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha1"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/binary"
	"encoding/pem"
	"fmt"
	"math/big"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

func thumbprint(der []byte) string { return fmt.Sprintf("%X", sha1.Sum(der)) }

// regFile writes one certificate for the user's own store as regedit reads it.
func regFile(der []byte) string {
	sum := sha1.Sum(der)
	var blob []byte
	for id, data := range map[uint32][]byte{3: sum[:], 32: der} {
		blob = binary.LittleEndian.AppendUint32(blob, id)
		blob = binary.LittleEndian.AppendUint32(blob, 1)
		blob = binary.LittleEndian.AppendUint32(blob, uint32(len(data)))
		blob = append(blob, data...)
	}
	hex := strings.ReplaceAll(strings.TrimSpace(fmt.Sprintf("% x", blob)), " ", ",")
	return "REGEDIT4\r\n\r\n[HKEY_CURRENT_USER\\Software\\Microsoft\\SystemCertificates\\Root\\Certificates\\" + thumbprint(der) + "]\r\n\"Blob\"=hex:" + hex + "\r\n\r\n"
}

// twinOf makes another root with the subject and the serial number of one.
func twinOf(t *testing.T, a trusttest.Authority) trusttest.Authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{SerialNumber: new(big.Int).Set(a.Cert.SerialNumber), Subject: pkix.Name{Organization: a.Cert.Subject.Organization, CommonName: a.Cert.Subject.CommonName},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().AddDate(5, 0, 0), IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	c, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return trusttest.Authority{Cert: c, Key: key}
}

// TestWindows goes through the life of a root on one Windows, twin and all.
func TestWindows(t *testing.T) {
	h := onWindows(t)
	h.believe()
	verifies := h.other()
	a := trusttest.NewAuthority(t, "Harbour Root")
	b := twinOf(t, a)
	leaf, _ := a.Issue(t, "crane.harbour.test")
	fa, fb := root.Of(a.Cert.Raw).String(), root.Of(b.Cert.Raw).String()
	write(t, h.path("a.pem"), string(a.PEM()), 0o644)
	write(t, h.path("b.pem"), string(b.PEM()), 0o644)
	write(t, h.path("sample.pem"), string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: leaf.Raw})), 0o644)
	entry := func(label, sha, file string, more ...string) string {
		return fmt.Sprintf("[[root]]\nlabel = %q\nsha256 = %q\nfile = %q\n%s\n", label, sha, file, strings.Join(more, "\n"))
	}
	at := func(t *testing.T) *wined { c := *h; c.T = t; return &c }

	t.Run("in the user's store alone", func(t *testing.T) {
		h := at(t)
		h.plant("planted", a.Cert.Raw)
		h.sign("1", entry("quay", fa, "a.pem", `standing = "trusted"`, `sample = "sample.pem"`)+entry("tower", fb, "b.pem", `standing = "trusted"`))
		h.told(1, "verify").placement(t, fa).expect(t, "user-only", false, "")
		if !verifies(leaf.Raw) {
			t.Error("the user's own program does not even verify: nothing is shown")
		}
		if p := h.told(1, "preview"); len(p.Planned) != 2 {
			t.Errorf("%+v", p.Planned)
		}
	})
	before := h.registry(userRoots)
	t.Run("placed in the machine's", func(t *testing.T) {
		h := at(t)
		r := h.told(0, "enforce")
		for _, fp := range []string{fa, fb} {
			p := r.placement(t, fp)
			p.expect(t, "placed", true, agent.Us)
			if len(p.Proofs) != 1 || !p.Proofs[0].Holds || p.Proofs[0].Account != "restricted" {
				t.Errorf("%+v", p.Proofs)
			}
		}
		if p := r.placement(t, fa); len(p.Notes) == 0 || !strings.Contains(strings.Join(p.Notes, " "), "stray") {
			t.Errorf("%q", p.Notes)
		}
		if len(h.told(0, "enforce").Changes) != 0 {
			t.Error("a second run changed something")
		}
		if h.registry(userRoots) != before {
			t.Error("the user's store was written to")
		}
		for _, c := range [][]byte{a.Cert.Raw, b.Cert.Raw} {
			if !strings.Contains(h.registry(machineRoots), thumbprint(c)) {
				t.Error("the registry does not hold it")
			}
		}
	})
	t.Run("suspended", func(t *testing.T) {
		h := at(t)
		h.run(0, "suspend", fa[:16], "--for", "1h", "a test")
		h.told(1, "verify")
		h.run(0, "suspend", fa[:16], "--end")
	})
	t.Run("withdrawn and swept, its twin stays", func(t *testing.T) {
		h := at(t)
		h.sign("2", entry("quay", fa, "a.pem", `standing = "retired"`, "sweep = true")+entry("tower", fb, "b.pem", `standing = "trusted"`))
		r := h.told(0, "enforce", "--force", "a test")
		r.placement(t, fa).expect(t, "absent", true, "")
		r.placement(t, fb).expect(t, "placed", true, agent.Us)
		if strings.Contains(h.registry(machineRoots)+h.registry(userRoots), thumbprint(a.Cert.Raw)) {
			t.Error("it is left in the registry")
		}
		if !strings.Contains(h.registry(machineRoots), thumbprint(b.Cert.Raw)) {
			t.Error("its twin is gone")
		}
		if verifies(leaf.Raw) {
			t.Error("another program verifies by it still")
		}
	})
	t.Run("distrusted", func(t *testing.T) {
		h := at(t)
		h.sign("3", entry("tower", fb, "b.pem", `standing = "distrusted"`))
		h.told(0, "enforce").placement(t, fb).expect(t, "blocked", true, "")
		if !strings.Contains(h.registry(refusedRoots), thumbprint(b.Cert.Raw)) || strings.Contains(h.registry(machineRoots), thumbprint(b.Cert.Raw)) {
			t.Error("the registry says otherwise")
		}
		says(t, h.run(0, "history").out, "place", "withdraw", "block", "suspend")
	})
	t.Run("trusted again", func(t *testing.T) {
		h := at(t)
		h.sign("4", entry("tower", fb, "b.pem", `standing = "trusted"`))
		h.told(0, "enforce").placement(t, fb).expect(t, "placed", true, agent.Us)
		if strings.Contains(h.registry(refusedRoots), thumbprint(b.Cert.Raw)) {
			t.Error("it is refused still")
		}
	})
}
