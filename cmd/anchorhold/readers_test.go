package main

import (
	"crypto/x509"
	"encoding/pem"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// Places of Debian's store.
const (
	bundleFile = "/etc/ssl/certs/ca-certificates.crt"
	linkFolder = "/etc/ssl/certs"
	javaStore  = "/etc/ssl/certs/java/cacerts"
	sourceDir  = "/usr/local/share/ca-certificates"
	platform   = "/usr/sbin/update-ca-certificates"
)

// bundle lists the roots of the bundle, each as often as it stands there.
func bundle(t *testing.T) []string {
	t.Helper()
	return blocksOf(t, read(t, bundleFile))
}

func blocksOf(t *testing.T, text string) []string {
	t.Helper()
	var fps []string
	for rest := []byte(text); ; {
		var b *pem.Block
		if b, rest = pem.Decode(rest); b == nil {
			return fps
		}
		fps = append(fps, root.Of(b.Bytes).String())
	}
}

// times counts how often a root stands in a list.
func times(list []string, fp string) int {
	n := 0
	for _, f := range list {
		if f == fp {
			n++
		}
	}
	return n
}

// openssl reports whether OpenSSL verifies a certificate for nobody with one
// part of the store: the bundle, or the folder of links.
func openssl(t *testing.T, part, cert string, options ...string) bool {
	t.Helper()
	trusttest.Need(t, "openssl")
	var args []string
	if part == linkFolder {
		args = append([]string{"verify", "-no-CAfile", "-no-CAstore", "-CApath", part}, options...)
	} else {
		args = append([]string{"verify", "-no-CApath", "-no-CAstore", "-CAfile", part}, options...)
	}
	return asNobody(t, "openssl", append(args, cert)...).code == 0
}

// gnutls does the same with GnuTLS, which reads the bundle.
func gnutls(t *testing.T, bundle, cert string) bool {
	t.Helper()
	trusttest.Need(t, "certtool")
	return asNobody(t, "certtool", "--verify", "--load-ca-certificate", bundle, "--infile", cert).code == 0
}

var javaPrint = regexp.MustCompile(`SHA-?256\)?: ([0-9A-F:]{95})`)

// java lists the roots of Java's store as keytool reads them, or nil where
// there is no Java.
func java(t *testing.T) []string {
	t.Helper()
	if _, err := exec.LookPath("keytool"); err != nil {
		return nil
	}
	e := asNobody(t, "keytool", "-J-Duser.language=en", "-list", "-keystore", javaStore, "-storepass", "changeit")
	if e.code != 0 {
		t.Fatalf("keytool: %s", e.all())
	}
	var fps []string
	for _, m := range javaPrint.FindAllStringSubmatch(e.out, -1) {
		fps = append(fps, strings.ToLower(strings.ReplaceAll(m[1], ":", "")))
	}
	if len(fps) == 0 {
		t.Fatalf("keytool lists nothing:\n%s", e.out)
	}
	return fps
}

// known asks every reader of the host whether it finds a root; all must agree.
func known(t *testing.T, fp, file string, want bool) {
	t.Helper()
	count := 0
	if want {
		count = 1
	}
	public := world(t, read(t, file))
	for _, part := range []string{bundleFile, linkFolder} {
		if got := openssl(t, part, public, "-no_check_time"); got != want {
			t.Errorf("OpenSSL with %s verifies %s: %v", part, fp[:16], got)
		}
	}
	if n := times(bundle(t), fp); n != count {
		t.Errorf("%s stands %d times in the bundle, want %d", fp[:16], n, count)
	}
	if list := java(t); list != nil && times(list, fp) != count {
		t.Errorf("%s stands %d times in Java's store, want %d", fp[:16], times(list, fp), count)
	}
	if e := asNobody(t, "certtool", "--verify", "--load-ca-certificate", bundleFile, "--infile", public); !strings.Contains(e.all(), "expired") && (e.code == 0) != want {
		t.Errorf("GnuTLS verifies %s: %v\n%s", fp[:16], e.code == 0, e.all())
	}
}

// world puts the certificates of a text where everybody can read them, as PEM
// alone.
func world(t *testing.T, text string) string {
	t.Helper()
	file, err := root.Read([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	var all []byte
	for _, i := range file.Items {
		all = append(all, i.Cert.PEM()...)
	}
	return open(t, string(all))
}

// open writes a file that everybody can read.
func open(t *testing.T, text string) string {
	t.Helper()
	dir, err := os.MkdirTemp("/var/tmp", "harbour-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(dir, "file.pem")
	write(t, name, text, 0o644)
	return name
}

// verifying lists which roots of the bundle OpenSSL and GnuTLS verify, each by
// itself. The ones that have ended do not.
func verifying(t *testing.T) (byOpenSSL, byGnuTLS []string) {
	t.Helper()
	for rest := []byte(read(t, bundleFile)); ; {
		var b *pem.Block
		if b, rest = pem.Decode(rest); b == nil {
			break
		}
		name := open(t, string(pem.EncodeToMemory(b)))
		fp := root.Of(b.Bytes).String()
		if openssl(t, bundleFile, name) {
			byOpenSSL = append(byOpenSSL, fp)
		}
		if gnutls(t, bundleFile, name) {
			byGnuTLS = append(byGnuTLS, fp)
		}
	}
	if len(byOpenSSL) < 10 || len(byGnuTLS) < 10 {
		t.Fatalf("only %d and %d roots verify", len(byOpenSSL), len(byGnuTLS))
	}
	return byOpenSSL, byGnuTLS
}

// missing lists what was there before and is not now.
func missing(before, after []string) []string {
	var lost []string
	for _, fp := range before {
		if !slices.Contains(after, fp) {
			lost = append(lost, fp)
		}
	}
	return lost
}

// byGo reports whether Go verifies a certificate with a bundle.
func byGo(t *testing.T, bundle, cert string) error {
	t.Helper()
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM([]byte(read(t, bundle)))
	b, _ := pem.Decode([]byte(read(t, cert)))
	c, err := x509.ParseCertificate(b.Bytes)
	if err != nil {
		t.Fatal(err)
	}
	_, err = c.Verify(x509.VerifyOptions{Roots: pool})
	return err
}
