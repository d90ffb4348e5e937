package root

import (
	"bytes"
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"encoding/base64"
	"encoding/pem"
	"errors"
	"fmt"
	"strings"
	"testing"
)

// TestPrivateKeyRefusesTheFile: whatever the form, wherever in the file, and
// no byte of the key in what is said.
func TestPrivateKeyRefusesTheFile(t *testing.T) {
	cert := rootDER(t, "Lab")
	ec := testKey(t, "Lab")
	sec1, err := x509.MarshalECPrivateKey(ec)
	if err != nil {
		t.Fatal(err)
	}
	p8, err := x509.MarshalPKCS8PrivateKey(ec)
	if err != nil {
		t.Fatal(err)
	}
	rk, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	p1 := x509.MarshalPKCS1PrivateKey(rk)
	secret := bytes.Repeat([]byte{0xa5, 0x5a, 0x33}, 60)
	sealed := tlv(0x30, tlv(0x30, tlv(6, []byte{0x2a, 0x86, 0x48, 0x86, 0xf7, 0x0d, 0x01, 0x05, 0x0d}), tlv(0x30)), tlv(4, secret))
	p := toPEM("CERTIFICATE", cert)
	b64 := base64.StdEncoding.EncodeToString
	cases := map[string]string{
		"PuTTY":            "PuTTY-User-Key-File-3: ssh-rsa\n",
		"PVK":              "\x1e\xf1\xb5\xb0" + string(secret),
		"age":              "AGE-SECRET-KEY-1" + strings.Repeat("Q", 58),
		"JSON Web Key":     `{"kty":"EC","crv":"P-256","x":"AA","y":"AA","d":"` + base64.RawURLEncoding.EncodeToString(secret) + `"}`,
		"XML":              "<RSAKeyValue><Modulus>AA</Modulus><D>" + b64(secret) + "</D></RSAKeyValue>",
		"printed":          "RSA Private-Key: (2048 bit, 2 primes)\n" + p,
		"OpenSSH, no mark": b64([]byte("openssh-key-v1\x00" + string(secret))),
		"Kubernetes":       "data:\n  tls.crt: " + b64([]byte(p)) + "\n  tls.key: " + b64([]byte(toPEM("PRIVATE KEY", p8))) + "\n",
		"JSON":             `{"cert": "` + strings.ReplaceAll(p, "\n", `\n`) + `", "key": "` + b64(p8) + `"}`,
		"Java key store":   string(jks(2, jksEntry{alias: "own", chain: [][]byte{cert}})),
		"torn key":         p + toPEM("EC PRIVATE KEY", sec1)[:60],
		"behind DER":       string(append(bytes.Clone(cert), p8...)),
		"PGP":              toPEM("PGP PRIVATE KEY BLOCK", secret),
		"PGP, old":         toPEM("PGP SECRET KEY BLOCK", secret),
		"SSH.COM":          "---- BEGIN SSH2 ENCRYPTED PRIVATE KEY ----\nAAAA\n---- END SSH2 ENCRYPTED PRIVATE KEY ----\n",
		"CRLF":             strings.ReplaceAll(p+toPEM("EC PRIVATE KEY", sec1), "\n", "\r\n"),
		"UTF-16":           string(wide(p+toPEM("PRIVATE KEY", p8), false, true)),
		"UTF-16 BE":        string(wide(toPEM("PRIVATE KEY", p8)+p, true, false)),
		"dashes":           p + strings.ReplaceAll(toPEM("PRIVATE KEY", p8), "-----", "——-"),
		"hard blanks":      p + strings.ReplaceAll(toPEM("PRIVATE KEY", p8), "PRIVATE KEY", "PRIVATE\u00a0KEY"),
		"lower case":       p + strings.ReplaceAll(toPEM("PRIVATE KEY", p8), "PRIVATE KEY", "private key"),
		"in a page":        "<html><pre>" + toPEM("PRIVATE KEY", p8) + "</pre></html>",
		"quoted":           p + eachLine(toPEM("PRIVATE KEY", p8), "> ", ""),
		"literal":          strings.ReplaceAll(p+toPEM("PRIVATE KEY", p8), "\n", `\n`),
		"false label":      p + toPEM("CERTIFICATE", p8),
		"no markers":       p + "\n" + b64(p1) + "\n",
	}
	for label, der := range map[string][]byte{"EC PRIVATE KEY": sec1, "PRIVATE KEY": p8, "RSA PRIVATE KEY": p1, "ENCRYPTED PRIVATE KEY": sealed,
		"DSA PRIVATE KEY": secret, "OPENSSH PRIVATE KEY": secret, "ANY PRIVATE KEY": secret, "TSS2 PRIVATE KEY": secret, "X25519 PRIVATE KEY": secret} {
		cases[label+" before"] = toPEM(label, der) + p
		cases[label+" behind"] = p + strings.Repeat("\n", 40) + toPEM(label, der)
		cases[label+" alone"] = toPEM(label, der)
		if keyForm(der) != "" {
			cases[label+" in DER"] = string(der)
			cases[label+" in base64"] = b64(der)
			cases[label+" cut off"] = string(der[:60])
		}
	}
	b, _ := pem.Decode([]byte(toPEM("RSA PRIVATE KEY", p1)))
	b.Headers = map[string]string{"Proc-Type": "4,ENCRYPTED", "DEK-Info": "AES-256-CBC,00"}
	cases["old encryption"] = p + string(pem.EncodeToMemory(b))
	for name, data := range cases {
		f, err := Read([]byte(data))
		var no *Refusal
		if !errors.As(err, &no) || no.Code != "private-key" {
			t.Errorf("%s: %d certificates, %v", name, len(f.Items), err)
			continue
		}
		if len(f.Items)+len(f.Notes) > 0 {
			t.Errorf("%s: something was taken beside the refusal", name)
		}
		said := fmt.Sprintf("%+v %+v", f, *no)
		for _, s := range [][]byte{sec1[8:40], p8[40:70], p1[30:60], secret[:12]} {
			if strings.Contains(said, string(s)) || strings.Contains(said, b64(s)[:8]) {
				t.Errorf("%s: the words hold a part of the key: %s", name, said)
			}
		}
		if !strings.Contains(no.Error(), "holds a private key") || !strings.Contains(no.Error(), "new root") || !strings.Contains(no.Error(), "openssl x509") {
			t.Errorf("%s: %v", name, no)
		}
	}
}

// TestNoKeyWhereNoneIs: words about keys are no key.
func TestNoKeyWhereNoneIs(t *testing.T) {
	p := toPEM("CERTIFICATE", rootDER(t, "Lab"))
	for _, text := range []string{
		"# The private key of this root lies in a safe.\n",
		"We begin the private key ceremony at noon.\n",
		"Subject Public Key Info:\n    Public-Key: (256 bit)\n    pub:\n        04:aa\n",
		toPEM("PUBLIC KEY", []byte("x")), toPEM("EC PARAMETERS", []byte("x")),
	} {
		if f, err := Read([]byte(text + p)); err != nil || len(f.Roots()) != 1 {
			t.Errorf("%q: %v", text, err)
		}
	}
	_, faults := Scan([]byte(p + toPEM("EC PRIVATE KEY", []byte("x")) + p))
	if len(faults) != 1 || faults[0].Code != "private-key" || faults[0].Harm == "" {
		t.Errorf("a key in a store: %v", faults)
	}
}
