package main

import (
	"crypto/ecdsa"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust/root"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// pier is a machine whose servers have certificates of two roots.
type pier struct {
	t        *testing.T
	old, new trusttest.Authority
	issuing  trusttest.Authority // below the old root
	cross    trusttest.Authority // the new root, signed by the old one
	dir      string              // a folder that no server names
}

// certified makes a CA's certificate for a key below another.
func certified(t *testing.T, name pkix.Name, key *ecdsa.PrivateKey, by trusttest.Authority, until time.Time) trusttest.Authority {
	t.Helper()
	n, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{SerialNumber: n, Subject: name, NotBefore: time.Now().Add(-time.Hour), NotAfter: until,
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign}
	parent := by.Cert
	if by.Key == key {
		parent = tmpl
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, parent, key.Public(), by.Key)
	if err != nil {
		t.Fatal(err)
	}
	c, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return trusttest.Authority{Cert: c, Key: key}
}

func newPier(t *testing.T, old, next trusttest.Authority) *pier {
	t.Helper()
	p := &pier{t: t, old: old, new: next, dir: "/srv/harbour"}
	own := trusttest.NewAuthority(t, "for its key")
	p.issuing = certified(t, pkix.Name{Organization: []string{"Harbour"}, CommonName: "Harbour Servers"}, own.Key, old, time.Now().AddDate(5, 0, 0))
	p.cross = certified(t, next.Cert.Subject, next.Key, old, time.Now().AddDate(5, 0, 0))
	return p
}

func certPEM(certs ...*x509.Certificate) string {
	var text []byte
	for _, c := range certs {
		text = append(text, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: c.Raw})...)
	}
	return string(text)
}

func keyPEM(t *testing.T, key *ecdsa.PrivateKey) string {
	t.Helper()
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	return string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}))
}

// serve writes a server's certificate with what is sent besides, and its key.
func (p *pier) serve(file string, by trusttest.Authority, besides ...trusttest.Authority) tls.Certificate {
	p.t.Helper()
	leaf, key := by.Issue(p.t, strings.TrimSuffix(filepath.Base(file), ".pem")+".harbour.test")
	chain := []*x509.Certificate{leaf}
	pair := tls.Certificate{PrivateKey: key, Certificate: [][]byte{leaf.Raw}}
	for _, b := range besides {
		chain = append(chain, b.Cert)
		pair.Certificate = append(pair.Certificate, b.Cert.Raw)
	}
	write(p.t, file, certPEM(chain...), 0o644)
	write(p.t, file+".key", keyPEM(p.t, key), 0o600)
	return pair
}

// listen answers TLS at an address of loopback until the test ends.
func (p *pier) listen(at string, pair tls.Certificate) {
	p.t.Helper()
	answers(p.t, at, &tls.Config{Certificates: []tls.Certificate{pair}})
}

// plain answers HTTP without TLS.
func (p *pier) plain(at string) {
	p.t.Helper()
	answers(p.t, at, nil)
}

const pierNginx = `pid /run/harbour-nginx.pid;
error_log stderr;
events { worker_connections 16; }
http {
    access_log off;
    # ssl_certificate /etc/harbour/commented.pem;
    server { listen 127.0.0.1:7443 ssl; ssl_certificate /etc/harbour/tide.pem; ssl_certificate_key /etc/harbour/tide.pem.key; }
    include /etc/nginx/harbour/*.conf;
}
`

// nginx starts the real one, waits until it answers, and returns what stops it.
func (p *pier) nginx() (stop func()) {
	p.t.Helper()
	name := trusttest.Need(p.t, "nginx")[0]
	write(p.t, "/etc/nginx/nginx.conf", pierNginx, 0o644)
	write(p.t, "/etc/nginx/harbour/quay.conf", "server { listen [::1]:7444 ssl; ssl_certificate /etc/harbour/quay.pem; ssl_certificate_key /etc/harbour/quay.pem.key; }\n", 0o644)
	c := exec.Command(name, "-g", "daemon off;")
	c.Stderr = os.Stderr
	if err := c.Start(); err != nil {
		p.t.Fatal(err)
	}
	var once sync.Once
	stop = func() { once.Do(func() { c.Process.Signal(os.Interrupt); c.Wait() }) }
	p.t.Cleanup(stop)
	for range 100 {
		if conn, err := net.Dial("tcp", "[::1]:7444"); err == nil {
			conn.Close()
			return stop
		}
		time.Sleep(50 * time.Millisecond)
	}
	p.t.Fatal("nginx does not answer")
	return nil
}

// tomcat has a key store as keytool makes it, and one as openssl does.
func (p *pier) tomcat() {
	p.t.Helper()
	tools := trusttest.Need(p.t, "openssl", "keytool")
	p.serve("/etc/tomcat10/berth.pem", p.issuing, p.issuing)
	p12, jks := "/etc/tomcat10/berth.p12", "/etc/tomcat10/berth.jks"
	tool(p.t, tools[0], "pkcs12", "-export", "-in", "/etc/tomcat10/berth.pem", "-inkey", "/etc/tomcat10/berth.pem.key", "-name", "berth", "-passout", "pass:changeit", "-out", p12)
	tool(p.t, tools[1], "-importkeystore", "-noprompt", "-srckeystore", p12, "-srcstoretype", "PKCS12", "-srcstorepass", "changeit", "-destkeystore", jks, "-deststoretype", "JKS", "-deststorepass", "changeit", "-destkeypass", "changeit")
	for _, name := range []string{p12, jks} {
		if err := os.Chmod(name, 0o644); err != nil {
			p.t.Fatal(err)
		}
	}
	write(p.t, "/etc/tomcat10/server.xml", `<Server><Service><Connector port="8443"><SSLHostConfig>
<Certificate certificateKeystoreFile="conf/berth.jks" certificateKeystorePassword="changeit"/>
<Certificate certificateKeystoreFile="/etc/tomcat10/berth.p12" certificateKeystoreType="PKCS12"/>
</SSLHostConfig></Connector></Service></Server>
`, 0o644)
	if err := os.MkdirAll("/var/lib/tomcat10", 0o755); err != nil {
		p.t.Fatal(err)
	}
	if err := os.Symlink("/etc/tomcat10", "/var/lib/tomcat10/conf"); err != nil {
		p.t.Fatal(err)
	}
}

// foundDependents runs the command and returns what it found, by where; code is
// how it must end.
func foundDependents(t *testing.T, code int, args ...string) (jsonDependents, map[string]jsonDependent) {
	t.Helper()
	e := must(t, code, "/", append([]string{"dependents", "--json"}, args...)...)
	var j jsonDependents
	decode(t, e.out, &j)
	if j.Schema != jsonSchema || j.Exit != code {
		t.Errorf("schema %d, exit %d", j.Schema, j.Exit)
	}
	by := map[string]jsonDependent{}
	for _, d := range j.Dependents {
		by[d.Kind+" "+d.What+" "+d.Where] = d
	}
	return j, by
}

func keysOf[T any](m map[string]T) []string {
	var keys []string
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// TestDependentsOfAMachine has servers of several kinds with certificates of two
// roots, and finds exactly those that end at the old one. openssl agrees about
// each, and so does a run without root.
func TestDependentsOfAMachine(t *testing.T) {
	if !onNetwork(t) {
		return
	}
	o := newOffice(t)
	o.more = "[[service]]\nname = \"harbour tide\"\naddress = \"tide.harbour.test:7443\"\n[[service]]\nname = \"harbour quay\"\naddress = \"quay.harbour.test:7446\"\n"
	oldRoot, oldEntry := o.authority("Harbour Root 2016")
	newRoot, newEntry := o.authority("Harbour Root 2026")
	o.sign(oldEntry, newEntry)
	result(t, 0, "enforce")
	p := newPier(t, oldRoot, newRoot)
	p.serve("/etc/harbour/tide.pem", p.issuing, p.issuing)
	quay := p.serve("/etc/harbour/quay.pem", p.new)
	p.nginx()
	p.listen("127.0.0.1:7446", quay)
	p.listen("127.0.0.1:7447", p.serve(p.dir+"/gate.pem", p.new, p.cross))
	p.plain("127.0.0.1:7448")
	p.tomcat()
	write(t, "/etc/apache2/apache2.conf", "IncludeOptional sites-enabled/*.conf\n", 0o644)
	write(t, "/etc/apache2/sites-enabled/crane.conf", "SSLCertificateFile /etc/harbour/crane.pem\nSSLCertificateChainFile \\\n /etc/harbour/issuing.pem\n", 0o644)
	p.serve("/etc/harbour/crane.pem", p.issuing)
	write(t, "/etc/harbour/issuing.pem", certPEM(p.issuing.Cert), 0o644)
	write(t, "/etc/haproxy/haproxy.cfg", "frontend f\n bind :9443 ssl crt /etc/harbour/shut.pem crt /etc/harbour/away.pem\n", 0o644)
	p.serve("/etc/harbour/shut.pem", p.old)
	p.serve("/root/harbour/away.pem", p.old)
	if err := os.Chmod("/etc/harbour/shut.pem", 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod("/root/harbour", 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("/root/harbour/away.pem", "/etc/harbour/away.pem"); err != nil {
		t.Fatal(err)
	}

	j, got := foundDependents(t, exitWrong, oldEntry.sha[:12], "--folder", p.dir)
	want := []string{
		"file Apache /etc/harbour/crane.pem",
		"file Tomcat /var/lib/tomcat10/conf/berth.jks#berth",
		"file a folder /srv/harbour/gate.pem",
		"file nginx /etc/harbour/quay.pem",
		"file nginx /etc/harbour/tide.pem",
		"listener " + filepath.Base(os.Args[0])[:min(15, len(filepath.Base(os.Args[0])))] + " 127.0.0.1:7447",
		"listener nginx 127.0.0.1:7443",
		"service harbour tide tide.harbour.test:7443",
	}
	if !slices.Equal(keysOf(got), want) {
		t.Errorf("found %q\nwant %q", keysOf(got), want)
	}
	for where, d := range got {
		// Whatever the new root carries goes on without the old one.
		byNew := strings.Contains(where, "7447") || strings.Contains(where, "gate") || strings.Contains(where, "quay")
		if d.Breaks == byNew || byNew != slices.Contains(d.Also, root.Of(newRoot.Cert.Raw)) {
			t.Errorf("%s: breaks %v, also %v", where, d.Breaks, d.Also)
		}
	}
	if j.Safe != time.Now().UTC().AddDate(1, 0, 1).Format(day) || j.Breaks != 5 || !j.Root.InStore || j.Root.Standing != "trusted" {
		t.Errorf("%+v", j.Root)
	}
	var unread []string
	for _, u := range j.Unread {
		unread = append(unread, string(u.Reason)+" "+u.Path)
	}
	slices.Sort(unread)
	if want := []string{"forbidden /etc/harbour/away.pem", "forbidden /etc/harbour/shut.pem", "not read /etc/tomcat10/berth.p12"}; !slices.Equal(slices.DeleteFunc(unread, elsewhere), want) {
		t.Errorf("unread %q", unread)
	}
	if len(j.Unasked) > 0 {
		t.Errorf("not asked: %+v", j.Unasked)
	}
	p.openssl(got)

	// Anybody finds the same, by fewer names of programs.
	e := asNobody(t, installed, "dependents", oldEntry.sha, "--folder", p.dir, "--json")
	var theirs jsonDependents
	decode(t, e.out, &theirs)
	if len(theirs.Dependents) != len(want) || theirs.Safe != j.Safe || e.code != exitWrong {
		t.Errorf("nobody found %d dependents, exit %d", len(theirs.Dependents), e.code)
	}
	screen := must(t, exitWrong, "/", "dependents", oldEntry.file).out
	lines := strings.Split(strings.TrimSpace(screen), "\n")
	says(t, lines[len(lines)-1], "Earliest safe date: "+j.Safe, "5 certificates would stop verifying", "/etc/harbour/tide.pem")
	says(t, screen, "ALSO CARRIED BY", "Harbour Root 2026", "nothing else", "only root or its owner can read it (HAProxy, /etc/haproxy/haproxy.cfg:2)", "PKCS#12, not inspected")

	// A renewed twin, with the name and key of the old root, carries them all.
	twin := certified(t, oldRoot.Cert.Subject, oldRoot.Key, oldRoot, time.Now().AddDate(20, 0, 0))
	file := o.path("twin.pem")
	write(t, file, certPEM(twin.Cert), 0o644)
	o.sign(oldEntry, newEntry, entry{label: "Harbour Root 2016 renewed", file: file, sha: root.Of(twin.Cert.Raw).String(), standing: "trusted"})
	result(t, 0, "enforce")
	j, got = foundDependents(t, exitWrong, oldEntry.sha, "--folder", p.dir)
	if j.Breaks != 0 || j.Safe != "" || len(got) != len(want) {
		t.Errorf("with a renewed twin %d of %d would break, safe from %q", j.Breaks, len(got), j.Safe)
	}
	if _, twins := foundDependents(t, exitWrong, root.Of(twin.Cert.Raw).String(), "--folder", p.dir); !slices.Equal(keysOf(twins), keysOf(got)) {
		t.Errorf("the twin carries %q", keysOf(twins))
	}
}

// elsewhere are things that this machine's own packages leave unread.
func elsewhere(text string) bool {
	return !strings.Contains(text, "/etc/harbour") && !strings.Contains(text, "/etc/tomcat10")
}

// TestDependentsOfNobody ends well only where everything could be looked at.
func TestDependentsOfNobody(t *testing.T) {
	if !onNetwork(t) {
		return
	}
	a := trusttest.NewAuthority(t, "Harbour Unused")
	file := filepath.Join(t.TempDir(), "unused.pem")
	write(t, file, string(a.PEM()), 0o644)
	// What this machine's own servers are set up with is for root alone, in parts.
	for _, dir := range []string{"/etc/nginx", "/etc/apache2", "/etc/haproxy", "/etc/postfix", "/etc/dovecot", "/etc/exim4", "/var/lib/exim4", "/etc/ldap", "/etc/postgresql", "/etc/mysql"} {
		if err := os.RemoveAll(dir); err != nil {
			t.Fatal(err)
		}
	}
	j, _ := foundDependents(t, exitRight, file)
	if len(j.Dependents) != 0 || j.Root.InStore || j.Safe != "" || len(j.Blind) == 0 {
		t.Errorf("%+v", j)
	}
	write(t, "/etc/nginx/nginx.conf", "ssl_certificate /etc/harbour/shut.pem;", 0o644)
	write(t, "/etc/harbour/shut.pem", "", 0o600)
	if j, _ := foundDependents(t, exitUnknown, file); len(j.Unread) != 1 || j.Unread[0].Reason != "forbidden" {
		t.Errorf("%+v", j.Unread)
	}
	says(t, must(t, exitUnknown, "/", "dependents", "00000000").err, "no root of this host's store or policy begins with 00000000")
	write(t, file, certPEM(a.Cert, trusttest.NewAuthority(t, "Harbour Other").Cert), 0o644)
	says(t, must(t, exitUnknown, "/", "dependents", file).err, "holds 2 roots: give a file of the one that is meant")
}

// openssl is asked of each certificate that was found, and of those that were
// not, whether it verifies by the old root alone.
func (p *pier) openssl(found map[string]jsonDependent) {
	p.t.Helper()
	tools := trusttest.Need(p.t, "openssl", "keytool")
	anchor := p.t.TempDir() + "/old.pem"
	write(p.t, anchor, string(p.old.PEM()), 0o644)
	more := p.t.TempDir() + "/more.pem"
	write(p.t, more, certPEM(p.issuing.Cert, p.cross.Cert), 0o644)
	verifies := func(file string) bool {
		e := call(p.t, command(tools[0], "verify", "-no-CApath", "-no-CAstore", "-CAfile", anchor, "-untrusted", more, "-untrusted", file, file))
		return e.code == 0
	}
	write(p.t, more+".jks", tool(p.t, tools[1], "-exportcert", "-rfc", "-keystore", "/etc/tomcat10/berth.jks", "-storepass", "changeit", "-alias", "berth"), 0o644)
	other := p.t.TempDir() + "/other.pem"
	c, _ := trusttest.NewAuthority(p.t, "Harbour Elsewhere").Issue(p.t, "other.harbour.test")
	write(p.t, other, certPEM(c), 0o644)
	asked := 0
	for file, where := range map[string]string{
		"/etc/harbour/tide.pem": "file nginx /etc/harbour/tide.pem", "/etc/harbour/quay.pem": "file nginx /etc/harbour/quay.pem",
		"/etc/harbour/crane.pem": "file Apache /etc/harbour/crane.pem", p.dir + "/gate.pem": "file a folder /srv/harbour/gate.pem",
		more + ".jks": "file Tomcat /var/lib/tomcat10/conf/berth.jks#berth", other: "nowhere",
	} {
		_, ours := found[where]
		if theirs := verifies(file); theirs != ours {
			p.t.Errorf("%s verifies by the old root: openssl says %v, we %v", file, theirs, ours)
		}
		asked++
	}
	for address, found := range map[string]bool{"127.0.0.1:7443": true, "[::1]:7444": false, "127.0.0.1:7446": false, "127.0.0.1:7447": true} {
		e := call(p.t, command(tools[0], "s_client", "-connect", address, "-no-CApath", "-no-CAstore", "-CAfile", anchor, "-verify_return_error"))
		if (e.code == 0) != found {
			p.t.Errorf("%s verifies by the old root: openssl says %v, we %v", address, e.code == 0, found)
		}
		asked++
	}
	p.t.Logf("openssl was asked about %d chains", asked)
}
