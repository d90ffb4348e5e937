package root

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// variantFiles are the files of one case: root, server, and the CA between
// where there is one.
func variantFiles(name string) (root, leaf, between string) {
	at := func(kind string) string { return filepath.Join(variants, name+"."+kind+".pem") }
	if _, err := os.Stat(at("inter")); err == nil {
		between = at("inter")
	}
	return at("root"), at("leaf"), between
}

// agree compares what a program of this machine says of a variant with what
// the rules say.
func agree(t *testing.T, row verdict, library string, accepts bool, said string) {
	t.Helper()
	for except, why := range apart[row.Name] {
		if why != "" && (except == library || except == "*") {
			return
		}
	}
	loads := true
	for _, r := range Receptions(variant(t, row.Name)) {
		if r.Library == library {
			loads = r.Loads
		}
	}
	if loads != accepts {
		t.Errorf("%s: %s of this machine accepts it: %v, the rules say %v\n%s", row.Name, library, accepts, loads, clip(said, 400))
	}
}

// The day on which the verdicts of the set were taken, within the validity of
// its servers.
const liveTime = "1796083200" // 2026-12-01

func TestReceptionsLiveOpenSSL(t *testing.T) {
	openssl := need(t, "openssl")
	for _, row := range matrix(t) {
		root, leaf, between := variantFiles(row.Name)
		args := []string{"verify", "-no-CApath", "-no-CAstore", "-attime", liveTime, "-purpose", "sslserver", "-CAfile", root}
		if between != "" {
			args = append(args, "-untrusted", between)
		}
		out, err := output(t, nil, openssl, append(args, leaf)...)
		agree(t, row, "OpenSSL", err == nil, out)
		out, err = output(t, nil, openssl, append(append(args, "-x509_strict"), leaf)...)
		agree(t, row, "Python (strict)", err == nil, out)
	}
}

func TestReceptionsLiveGnuTLS(t *testing.T) {
	certtool := need(t, "certtool")
	if time.Now().After(time.Date(2027, 1, 31, 0, 0, 0, 0, time.UTC)) {
		t.Skip("the servers of the set have expired, and certtool takes no date")
	}
	for _, row := range matrix(t) {
		root, leaf, between := variantFiles(row.Name)
		chain, err := os.ReadFile(leaf)
		if err != nil {
			t.Fatal(err)
		}
		if between != "" {
			more, err := os.ReadFile(between)
			if err != nil {
				t.Fatal(err)
			}
			chain = append(chain, more...)
		}
		out, err := output(t, chain, certtool, "--verify", "--load-ca-certificate", root)
		agree(t, row, "GnuTLS", err == nil, out)
	}
}

// javaCheck validates every variant in one process, as Java's TLS does.
const javaCheck = `
import java.io.*; import java.nio.file.*; import java.security.*; import java.security.cert.*; import java.util.*;
public class Check {
  public static void main(String[] a) throws Exception {
    for (int i = 1; i < a.length; i++) {
      String said;
      try {
        CertificateFactory f = CertificateFactory.getInstance("X.509");
        X509Certificate root = one(f, a[0], a[i], "root"), leaf = one(f, a[0], a[i], "leaf");
        List<X509Certificate> chain = new ArrayList<>(List.of(leaf));
        if (Files.exists(Path.of(a[0], a[i] + ".inter.pem"))) chain.add(one(f, a[0], a[i], "inter"));
        KeyStore ks = KeyStore.getInstance("JKS"); ks.load(null, null); ks.setCertificateEntry("root", root);
        PKIXBuilderParameters p = new PKIXBuilderParameters(ks, new X509CertSelector());
        p.setRevocationEnabled(false); p.setDate(new Date(` + liveTime + `000L));
        javax.net.ssl.TrustManagerFactory m = javax.net.ssl.TrustManagerFactory.getInstance("PKIX");
        m.init(new javax.net.ssl.CertPathTrustManagerParameters(p));
        ((javax.net.ssl.X509TrustManager) m.getTrustManagers()[0]).checkServerTrusted(chain.toArray(new X509Certificate[0]), "ECDHE_ECDSA");
        said = "accept";
      } catch (Exception e) { said = e.toString().replace('\n', ' '); }
      System.out.println(a[i] + "\t" + said);
    }
  }
  static X509Certificate one(CertificateFactory f, String dir, String name, String kind) throws Exception {
    try (InputStream in = Files.newInputStream(Path.of(dir, name + "." + kind + ".pem"))) { return (X509Certificate) f.generateCertificate(in); }
  }
}
`

func TestReceptionsLiveJava(t *testing.T) {
	java := need(t, "java")
	if out, err := output(t, nil, java, "--list-modules"); err != nil || !strings.Contains(out, "jdk.compiler") {
		need(t, "javac") // a runtime without the compiler cannot run a source file
	}
	file := filepath.Join(t.TempDir(), "Check.java")
	if err := os.WriteFile(file, []byte(javaCheck), 0o600); err != nil {
		t.Fatal(err)
	}
	args := []string{file, variants}
	rows := map[string]verdict{}
	for _, row := range matrix(t) {
		args, rows[row.Name] = append(args, row.Name), row
	}
	out, err := output(t, nil, java, args...)
	if err != nil {
		t.Fatalf("java: %v\n%s", err, clip(out, 2000))
	}
	judged := 0
	for line := range strings.Lines(out) {
		name, said, ok := strings.Cut(strings.TrimSpace(line), "\t")
		if ok {
			judged++
			agree(t, rows[name], "Java", said == "accept", said)
		}
	}
	if judged != len(rows) {
		t.Fatalf("%d of %d variants judged\n%s", judged, len(rows), clip(out, 2000))
	}
}
