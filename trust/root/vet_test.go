package root

import (
	"bytes"
	"crypto/ed25519"
	"crypto/rsa"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"encoding/json"
	"math/big"
	"net"
	"os"
	"slices"
	"strings"
	"testing"
	"time"
)

// refused are the variants that are refused, each with its codes (RFC 5280 and
// the matrix say why). All others of the set are none of them.
var refused = map[string][]string{
	"root-BC-explicit-cA-FALSE-pathlen": {"not-a-ca"}, "root-CA-false": {"not-a-ca"}, "root-no-basicConstraints": {"not-a-ca"},
	"root-empty-ext-seq":  {"not-a-ca"},
	"root-CN-NUL":         {"name-hidden-characters"},
	"root-CN-newline-ESC": {"name-hidden-characters"}, "root-CN-RTL-override": {"name-hidden-characters"},
	"root-GT-fraction": {"go-unloadable"}, "root-KU-no-certSign": {"no-key-cert-sign"}, "root-P224": {"curve"},
	"root-SKI-critical": {"go-unloadable", "key-id-critical"}, "root-aki-critical": {"go-unloadable", "key-id-critical"},
	"root-aia-critical":      {"go-unloadable", "unknown-critical-extension"},
	"root-UTC-51-means-1951": {"dates-reversed"}, "root-nb-after-na": {"dates-reversed"},
	"root-UTF8-invalid":    {"go-unloadable", "name-encoding"},
	"root-UniversalString": {"go-unloadable"}, "root-VisibleString": {"go-unloadable"}, "root-bool-01": {"go-unloadable"},
	"root-dup-extension": {"go-unloadable"}, "root-empty-subject": {"empty-subject"}, "root-expired": {"expired"}, "root-future": {"not-yet-valid"},
	"root-explicit-v1-version": {"version"}, "root-v1": {"version"}, "root-v1-with-exts": {"version"},
	"root-version-4": {"go-unloadable", "version"}, "root-inner-outer-alg-differ": {"go-unloadable"},
	"root-nc-bad-ip-mask":  {"go-unloadable", "name-constraints-mask"},
	"root-nc-dirname-only": {"name-constraints-form"}, "root-nc-empty": {"go-unloadable", "name-constraints-empty"},
	"root-neg-rsa-modulus":   {"go-unloadable", "rsa-modulus"},
	"root-printable-at-sign": {"go-unloadable"}, "root-printable-underscore": {"go-unloadable"}, "root-rsa-no-NULL-params": {"go-unloadable"},
	"root-rsa1024": {"rsa-short"}, "root-san-bad-uri": {"go-unloadable"}, "root-san-nonIA5": {"go-unloadable"},
	"root-selfsig-broken": {"broken-self-signature"}, "root-serial-negative": {"go-unloadable", "serial-negative"},
	"root-serial-nonminimal": {"go-unloadable"}, "root-unknown-critical-ext": {"unknown-critical-extension"},
}

// warned are warnings that must be there.
var warned = map[string]string{
	"nc-excluded-violated": "constraints-not-enforced", "nc-permit-ok": "name-constraints-free-ip", "nc-permit-violated-noncrit": "name-constraints-not-critical",
	"root-BC-noncritical": "basic-constraints-not-critical", "root-EKU-clientAuth-only": "extended-key-usage", "root-Ed25519": "ed25519",
	"root-GT-before-2050": "date-form", "root-UTC-no-seconds": "date-form", "root-UTC-offset": "date-form", "root-T61-latin1": "name-not-ascii",
	"root-md5-selfsig": "md5-self-signature", "root-nc-leading-dot": "name-constraints-leading-dot", "root-no-SKI": "no-subject-key-id",
	"root-serial-21octets": "serial-long", "root-trailing-data": "trailing-bytes", "root-sha1-selfsig": "rsa-2048-after-2030",
}

func TestVetVariants(t *testing.T) {
	seen := 0
	for _, row := range matrix(t) {
		c := variant(t, row.Name)
		fs := Vet(c, today, nil)
		got := codes(fs, Refuse)
		slices.Sort(got)
		if want := refused[row.Name]; !slices.Equal(got, want) {
			t.Errorf("%s: refused for %v, want %v", row.Name, got, want)
		}
		if w := warned[row.Name]; w != "" {
			seen++
			if !slices.Contains(codes(fs, Warn), w) {
				t.Errorf("%s: warned of %v, want %s", row.Name, codes(fs, Warn), w)
			}
		}
		for _, f := range fs {
			if f.Reason == "" || f.Source == "" || f.Severity != Note && f.Remedy == "" {
				t.Errorf("%s: %s says too little: %+v", row.Name, f.Code, f)
			}
			if f.Waivable && slices.Contains([]string{"not-a-ca", "end-entity", "issuing-ca", "cross-signed", "broken-self-signature", "go-unloadable"}, f.Code) {
				t.Errorf("%s: %s can be waived", row.Name, f.Code)
			}
			if i := strings.IndexFunc(f.Reason+f.Remedy, hidden); i >= 0 {
				t.Errorf("%s: %s says raw characters: %q", row.Name, f.Code, f.Reason)
			}
		}
	}
	if seen != len(warned) {
		t.Errorf("%d of %d warnings looked at", seen, len(warned))
	}
	if fs := Vet(variant(t, "00-good"), today, nil); len(codes(fs, Refuse))+len(codes(fs, Warn)) != 0 {
		t.Errorf("a good root: %v", fs)
	}
}

// TestVetOwn: rules that no variant breaks, one spoilt root each.
func TestVetOwn(t *testing.T) {
	for _, c := range []struct {
		code     string
		severity Severity
		word     string // in the reason
		spoil    func(*x509.Certificate)
	}{
		{"expired", Refuse, "2022-01-01", func(c *x509.Certificate) {
			c.NotBefore, c.NotAfter = today.AddDate(-14, 0, 0), time.Date(2022, 1, 1, 0, 0, 0, 0, time.UTC)
		}},
		{"ends-soon", Warn, "2026-12-15", func(c *x509.Certificate) { c.NotAfter = time.Date(2026, 12, 15, 0, 0, 0, 0, time.UTC) }},
		{"long-lifetime", Warn, "40 years", func(c *x509.Certificate) { c.NotAfter = time.Date(2064, 1, 1, 0, 0, 0, 0, time.UTC) }},
		{"no-key-usage", Warn, "keyUsage", func(c *x509.Certificate) { c.KeyUsage = 0 }},
		{"serial-long", Warn, "20 octets", func(c *x509.Certificate) { c.SerialNumber = new(big.Int).Lsh(big.NewInt(1), 159) }},
		{"name-mixed-scripts", Warn, "scripts", func(c *x509.Certificate) { c.Subject.CommonName = "Harb\u043eur" }},
		{"name-hidden-characters", Refuse, `\u200b`, func(c *x509.Certificate) { c.Subject.CommonName = "Harbour\u200b" }},
		{"extended-key-usage", Warn, "code", func(c *x509.Certificate) { c.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageCodeSigning} }},
		{"name-constraints-bounds", Warn, "minimum", func(c *x509.Certificate) {
			base := tlv(0x30, tlv(0x82, []byte("harbour.test")), tlv(0x80, []byte{0}))
			c.ExtraExtensions = []pkix.Extension{{Id: asn1.ObjectIdentifier{2, 5, 29, 30}, Critical: true, Value: tlv(0x30, tlv(0xa0, base))}}
		}},
		{"authority-key-id-differs", Warn, "another key", func(c *x509.Certificate) {
			c.SubjectKeyId = []byte{1}
			c.ExtraExtensions = []pkix.Extension{{Id: asn1.ObjectIdentifier{2, 5, 29, 35}, Value: tlv(0x30, tlv(0x80, []byte{2}))}}
		}},
	} {
		fs := Vet(parse(t, rootDER(t, "Spoilt", c.spoil)), today, nil)
		i := slices.IndexFunc(fs, func(f Finding) bool { return f.Code == c.code })
		if i < 0 || fs[i].Severity != c.severity || !strings.Contains(fs[i].Reason, c.word) {
			t.Errorf("%s: %+v", c.code, fs)
		}
	}
}

func TestVetRoles(t *testing.T) {
	lab := rootDER(t, "Lab")
	other := template("Lab")
	k1, k2 := testKey(t, "Lab"), testKey(t, "Lab 2")
	other.SubjectKeyId = []byte{2}
	other.ExtraExtensions = []pkix.Extension{{Id: asn1.ObjectIdentifier{2, 5, 29, 35}, Value: tlv(0x30, tlv(0x80, []byte{1}))}}
	parent, err := x509.ParseCertificate(lab)
	if err != nil {
		t.Fatal(err)
	}
	named := rootDER(t, "Named", func(c *x509.Certificate) {
		c.SubjectKeyId = []byte{3}
		c.ExtraExtensions = []pkix.Extension{{Id: asn1.ObjectIdentifier{2, 5, 29, 35}, Value: tlv(0x30, tlv(0x80, []byte{3}))}}
	})
	named[len(named)-1] ^= 1
	if fs := Vet(parse(t, named), today, nil); fs[0].Code != "broken-self-signature" {
		t.Errorf("a damaged root that names its own key: %+v", fs[0])
	}
	for code, der := range map[string][]byte{
		"end-entity": below(t, "crane.harbour.test", "Lab", false), "issuing-ca": below(t, "Issuing", "Lab", true),
		"cross-signed":          issue(t, other, parent, k2.Public(), k1),
		"broken-self-signature": append(bytes.Clone(lab[:len(lab)-1]), lab[len(lab)-1]^1),
	} {
		fs := Vet(parse(t, der), today, nil)
		if len(fs) == 0 || fs[0].Code != code || fs[0].Severity != Refuse || fs[0].Waivable {
			t.Errorf("%s: %+v", code, fs)
		}
	}
}

// TestVetAppendixC: the RFC's own old root, and its leaf given by mistake.
func TestVetAppendixC(t *testing.T) {
	data, err := os.ReadFile("../../testdata/rfc5280-appendix-c.pem")
	if err != nil {
		t.Fatal(err)
	}
	f, err := Read(data)
	if err != nil || len(f.Items) != 2 || len(f.Items[0].Cert.Raw) != 578 || len(f.Items[1].Cert.Raw) != 629 {
		t.Fatalf("%v, %d items", err, len(f.Items))
	}
	root, leaf := f.Items[0], f.Items[1]
	if root.Role != RoleRoot || leaf.Role != RoleServer || leaf.Refused == nil || leaf.Cert.signedBy(root.Cert.SPKI) != signatureGood {
		t.Errorf("roles %s and %s", root.Role, leaf.Role)
	}
	fs := Vet(root.Cert, today, nil)
	for _, code := range []string{"rsa-short", "expired", "sha1-self-signature"} {
		if !slices.Contains(codes(fs, ""), code) {
			t.Errorf("%s is missing in %v", code, codes(fs, ""))
		}
	}
	if slices.Contains(codes(fs, ""), "broken-self-signature") {
		t.Error("a weak signature was called broken")
	}
}

// TestVetLargeKeys: a key of any size is answered for, and over the ceiling
// nothing is computed.
func TestVetLargeKeys(t *testing.T) {
	for bits, code := range map[int]string{1024: "rsa-short", 2048: "rsa-2048-after-2030", 4096: "", 9216: "rsa-large", 20000: "rsa-too-large", 1 << 20: "rsa-too-large"} {
		n := new(big.Int).SetBit(new(big.Int), bits-1, 1)
		n.Add(n, big.NewInt(12345))
		for bits <= maxRSA && (smallFactor(n) != 0 || closePrimes(n)) {
			n.Add(n, big.NewInt(2))
		}
		tmpl := template("Large")
		tmpl.RawSubject = nil
		k := testKey(t, "Large")
		pub := &rsa.PublicKey{N: n, E: 65537}
		der := issue(t, tmpl, tmpl, pub, k) // the signature is another key's: sizes are the matter here
		c := parse(t, der)
		got := codes(Vet(c, today, nil), "")
		if code != "" && !slices.Contains(got, code) {
			t.Errorf("%d bits: %v, want %s", bits, got, code)
		}
		if code == "" && slices.ContainsFunc(got, func(s string) bool { return strings.HasPrefix(s, "rsa-") }) {
			t.Errorf("%d bits: %v", bits, got)
		}
	}
}

func TestVetEd25519(t *testing.T) {
	k := ed25519.NewKeyFromSeed(bytes.Repeat([]byte{7}, 32))
	tmpl := template("Edwards")
	c := parse(t, issue(t, tmpl, tmpl, k.Public(), k))
	if c.selfSignature() != signatureGood || !slices.Contains(codes(Vet(c, today, nil), Warn), "ed25519") {
		t.Errorf("%v", Vet(c, today, nil))
	}
}

func TestVouches(t *testing.T) {
	subnet := func(s string) *net.IPNet { _, n, _ := net.ParseCIDR(s); return n }
	for _, c := range []struct {
		want  []string
		never string
		spoil func(*x509.Certificate)
	}{
		{[]string{"any DNS name, any IP address, any mail address"}, "only", func(*x509.Certificate) {}},
		{[]string{"only DNS names below harbour.test, not harbour.test itself", "any IP address", "any mail address", "Java does not enforce"}, "", func(c *x509.Certificate) {
			c.PermittedDNSDomains, c.PermittedDNSDomainsCritical = []string{".harbour.test"}, true
		}},
		{[]string{"only the DNS name harbour.test and all below it", "any IP address"}, "itself", func(c *x509.Certificate) { c.PermittedDNSDomains = []string{"harbour.test"} }},
		{[]string{"no IP address", "only the DNS name harbour.test"}, "any IP", func(c *x509.Certificate) {
			c.PermittedDNSDomains, c.ExcludedIPRanges = []string{"harbour.test"}, []*net.IPNet{subnet("0.0.0.0/0"), subnet("::/0")}
		}},
		{[]string{"any IP address, but not IP addresses in 0.0.0.0/0"}, "no IP", func(c *x509.Certificate) {
			c.PermittedDNSDomains, c.ExcludedIPRanges = []string{"harbour.test"}, []*net.IPNet{subnet("0.0.0.0/0")}
		}},
		{[]string{"only IP addresses in 10.1.0.0/16", "any DNS name (", "no mail address"}, "", func(c *x509.Certificate) {
			c.PermittedIPRanges, c.ExcludedEmailAddresses = []*net.IPNet{subnet("10.1.0.0/16")}, []string{""}
		}},
		{[]string{"any DNS name, but not the DNS name depot.test and all below it"}, "", func(c *x509.Certificate) { c.ExcludedDNSDomains = []string{"depot.test"} }},
		{[]string{"only mail addresses at harbour.test; the mail address me@depot.test"}, "", func(c *x509.Certificate) {
			c.PermittedEmailAddresses = []string{"harbour.test", "me@depot.test"}
		}},
		{[]string{"only for TLS servers"}, "", func(c *x509.Certificate) { c.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth} }},
		{[]string{"path length 0", "no issuing CA"}, "", func(c *x509.Certificate) { c.MaxPathLen, c.MaxPathLenZero = 0, true }},
		{[]string{"at most 2 issuing CAs"}, "", func(c *x509.Certificate) { c.MaxPathLen = 2 }},
	} {
		got := strings.Join(Vouches(parse(t, rootDER(t, "Limited", c.spoil))), "\n")
		for _, w := range c.want {
			if !strings.Contains(got, w) {
				t.Errorf("%q is missing in:\n%s", w, got)
			}
		}
		if c.never != "" && strings.Contains(got, c.never) {
			t.Errorf("%q is wrong in:\n%s", c.never, got)
		}
	}
	data, err := json.Marshal(Vouches(variant(t, "root-nc-dirname-only")))
	if err != nil || !strings.Contains(string(data), "subject names below CN=other") {
		t.Errorf("a directory name: %s", data)
	}
}
