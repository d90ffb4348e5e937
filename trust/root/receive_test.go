package root

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

const variants = "../../testdata/root-variants"

// verdict is a row of matrix.json: what each library said of a server below
// the root.
type verdict struct {
	Name   string `json:"name"`
	Parse  string `json:"go_parse"`
	Go     string `json:"go_verify"`
	SSL    string `json:"openssl"`
	Strict string `json:"openssl_x509_strict"`
	TLS    string `json:"gnutls_3_7_9"`
	NSS    string `json:"nss_3_87_libpkix"`
	Java   string `json:"jdk17"`
	Pyca   string `json:"pyca_48"`
}

func (v verdict) of(library string) string {
	return map[string]string{"Go": v.Go, "OpenSSL": v.SSL, "Python (strict)": v.Strict, "GnuTLS": v.TLS,
		"NSS": v.NSS, "Java": v.Java, "pyca/cryptography": v.Pyca}[library]
}

func matrix(t *testing.T) []verdict {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(variants, "matrix.json"))
	if err != nil {
		t.Fatal(err)
	}
	var m struct{ Cases []verdict }
	if err := json.Unmarshal(data, &m); err != nil {
		t.Fatal(err)
	}
	m.Cases = slices.DeleteFunc(m.Cases, func(v verdict) bool { return v.Parse == "" }) // rows on intermediates
	if len(m.Cases) < 69 {
		t.Fatalf("only %d variants", len(m.Cases))
	}
	return m.Cases
}

// variant reads a root of the set without the help of Read or Scan.
func variant(t *testing.T, name string) *Certificate {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(variants, name+".root.pem"))
	if err != nil {
		t.Fatal(err)
	}
	b, ok := nextPEM(text, 0)
	der, _, ok2 := decode64(b.body)
	if !ok || !ok2 {
		t.Fatalf("%s is no PEM", name)
	}
	c, err := Parse(der)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return c
}

// apart are rejections that say nothing of the root: the library reads it and
// honours a limit that the server of this case is outside of, or the case has
// another flaw. Each is one library's, or "*" for all that reject.
var apart = map[string]map[string]string{
	"nc-excluded-violated":       {"*": "the server is outside the name constraints"},
	"nc-permit-violated":         {"*": "the server is outside the name constraints"},
	"nc-permit-violated-noncrit": {"*": "the server is outside the name constraints"},
	"pathlen0-with-intermediate": {"*": "the path is longer than the root allows"},
	"root-EKU-clientAuth-only":   {"*": "the server's purpose is outside the root's"},
	"root-expired":               {"*": "dates are not judged here"},
	"root-future":                {"*": "dates are not judged here"},
	"root-UTC-51-means-1951":     {"*": "dates are not judged here"},
	"root-SKI-critical": {"*": "the root's key identifier differs from the one the server names",
		"pyca/cryptography": ""},
	"root-explicit-critical-FALSE": {"*": "the root's key identifier differs from the one the server names",
		"pyca/cryptography": ""},
	"root-nc-dirname-only": {"*": "the server's subject is outside the directory name", "Go": ""},
	"root-BC-explicit-cA-FALSE-pathlen": {"NSS": "NSS takes this one, though it refuses a plain cA FALSE; " +
		"told as refused, because no other library takes it"},
}

func TestReceptionsAgreeWithMeasured(t *testing.T) {
	judged := 0
	for _, row := range matrix(t) {
		c := variant(t, row.Name)
		got := map[string]Reception{}
		for _, r := range Receptions(c) {
			got[r.Library] = r
		}
		for _, l := range libraries {
			measured := row.of(l.name)
			if measured == "" {
				t.Fatalf("%s: nothing measured for %s", row.Name, l.name)
			}
			r, listed := got[l.name]
			loads := !listed || r.Loads
			judged++
			why, except := apart[row.Name][l.name]
			if !except {
				why = apart[row.Name]["*"]
			}
			if why == "" && loads != (measured == "accept") {
				t.Errorf("%s: %s loads: %v (%s), measured %q", row.Name, l.name, loads, r.Why, measured)
			}
			if why != "" && except && loads == (measured == "accept") {
				t.Errorf("%s: %s is an exception without need", row.Name, l.name)
			}
			if !loads && r.Why == "" {
				t.Errorf("%s: %s is refused without a reason", row.Name, l.name)
			}
		}
	}
	if judged < 69*7 {
		t.Fatalf("only %d verdicts compared", judged)
	}
}

// TestIgnoredLimits: a limit that is broken by the server of a case is ignored
// by exactly those libraries that accept it nevertheless.
func TestIgnoredLimits(t *testing.T) {
	limits := map[string]string{
		"nc-excluded-violated": "name constraints", "nc-permit-violated": "name constraints", "nc-permit-violated-noncrit": "name constraints",
		"pathlen0-with-intermediate": "path length", "root-EKU-clientAuth-only": "extended key usage",
		"root-unknown-critical-ext": "unknown critical extensions",
		"root-expired":              "dates", "root-future": "dates", "root-UTC-51-means-1951": "dates",
	}
	found := 0
	for _, row := range matrix(t) {
		limit := limits[row.Name]
		if limit == "" {
			continue
		}
		found++
		got := Receptions(variant(t, row.Name))
		for _, l := range libraries {
			ignores := false
			for _, r := range got {
				ignores = ignores || r.Library == l.name && slices.Contains(r.Ignores, limit)
			}
			if ignores != (row.of(l.name) == "accept") {
				t.Errorf("%s: %s ignores %s: %v, measured %q", row.Name, l.name, limit, ignores, row.of(l.name))
			}
		}
	}
	if found != len(limits) {
		t.Fatalf("%d of %d limits found in the set", found, len(limits))
	}
}

// TestWalkReadsWhatGoRefuses: every variant is listed, also the 22 that
// crypto/x509 cannot read, and Go's own verdict is the measured one.
func TestWalkReadsWhatGoRefuses(t *testing.T) {
	refused := 0
	for _, row := range matrix(t) {
		c := variant(t, row.Name)
		reads := row.Parse == "ok"
		if got := c.X509Err == nil && c.Trailing == 0; got != reads {
			t.Errorf("%s: Go reads it: %v, measured %q (%v)", row.Name, got, row.Parse, c.X509Err)
		}
		if !reads {
			refused++
		}
		if len(c.Raw) == 0 || len(c.SPKI) == 0 || c.Name() == "" || strings.Contains(c.Name(), "\x1b") {
			t.Errorf("%s: walked badly: %q", row.Name, c.Name())
		}
		if c.X509 != nil && (!c.X509.NotAfter.Equal(c.NotAfter) || c.X509.SerialNumber.Cmp(c.Serial) != 0 || c.Version != c.X509.Version) {
			t.Errorf("%s: the walk and crypto/x509 differ", row.Name)
		}
	}
	if refused != 22 {
		t.Errorf("%d variants that Go refuses, 22 were measured", refused)
	}
}
