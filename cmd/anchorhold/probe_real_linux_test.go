package main

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// roadstead is real servers, each with a certificate of its own, on a machine
// whose store has the Harbour's root.
type roadstead struct {
	t   *testing.T
	ca  trusttest.Authority // an issuing CA below the root in the store
	dir string
}

// launch runs a server until the test ends, and waits until it answers.
func (p *roadstead) launch(at, name string, args ...string) *exec.Cmd {
	p.t.Helper()
	path := trusttest.Need(p.t, name)[0]
	c := exec.Command(path, args...)
	c.Dir, c.Stdin = "/", nil
	c.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := c.Start(); err != nil {
		p.t.Fatal(err)
	}
	p.t.Cleanup(func() { syscall.Kill(-c.Process.Pid, syscall.SIGKILL); c.Wait() })
	for range 200 {
		if conn, err := net.Dial("tcp", at); err == nil {
			conn.Close()
			return c
		}
		time.Sleep(25 * time.Millisecond)
	}
	p.t.Fatalf("%s does not answer at %s", name, at)
	return nil
}

// files writes a certificate for a name with its chain, and its key.
func (p *roadstead) files(file, name string, chain ...*x509.Certificate) {
	p.t.Helper()
	leaf, key := p.ca.Issue(p.t, name)
	write(p.t, p.dir+"/"+file+".pem", certPEM(append([]*x509.Certificate{leaf}, chain...)...), 0o644)
	write(p.t, p.dir+"/"+file+".key", keyPEM(p.t, key), 0o644)
}

func (p *roadstead) at(file string) string { return p.dir + "/" + file }

// openssl starts an s_server with a file's certificate.
func (p *roadstead) openssl(number, file string, more ...string) {
	p.launch("127.0.0.1:"+number, "openssl", append([]string{"s_server", "-accept", "127.0.0.1:" + number, "-quiet",
		"-cert", p.at(file + ".pem"), "-cert_chain", p.at(file + ".pem"), "-key", p.at(file + ".key")}, more...)...)
}

const portExim = `primary_hostname = tide.harbour.test
daemon_smtp_ports = 2525
local_interfaces = 127.0.0.1
tls_advertise_hosts = *
tls_certificate = %[1]s/right.pem
tls_privatekey = %[1]s/right.key
keep_environment =
host_lookup =
`

const portSlapd = `TLSCertificateFile %[1]s/right.pem
TLSCertificateKeyFile %[1]s/right.key
TLSCACertificateFile %[1]s/right.pem
pidfile %[1]s/slapd.pid
`

const portNginx = `pid %[1]s/nginx.pid;
error_log stderr;
events { worker_connections 16; }
http { access_log off; server { listen 127.0.0.1:7460 ssl; ssl_certificate %[1]s/web.pem; ssl_certificate_key %[1]s/web.key; } }
`

// refers asks openssl s_client whether it verifies, by the store of this
// machine and as an account without rights.
func refers(t *testing.T, at, startTLS string) bool {
	t.Helper()
	args := []string{"10", "openssl", "s_client", "-connect", at, "-servername", "tide.harbour.test", "-verify_hostname", "tide.harbour.test",
		"-verify_return_error", "-CApath", "/etc/ssl/certs", "-brief"}
	if startTLS != "" {
		args = append(args, "-starttls", startTLS)
	}
	return asNobody(t, "/usr/bin/timeout", args...).code == 0
}

// gnutlsRefers asks GnuTLS's client the same.
func gnutlsRefers(t *testing.T, at, startTLS string) bool {
	t.Helper()
	host, number, _ := net.SplitHostPort(at)
	args := []string{"10", "gnutls-cli", "--verify-hostname=tide.harbour.test", "--sni-hostname=tide.harbour.test", "--x509cafile=/etc/ssl/certs/ca-certificates.crt", "-p", number, host}
	if startTLS != "" {
		args = append(args, "--starttls-proto="+startTLS)
	}
	return asNobody(t, "/usr/bin/timeout", args...).code == 0
}

// TestRealServers probes real servers and compares each verdict with that of
// OpenSSL's and GnuTLS's own clients on the same service.
func TestRealServers(t *testing.T) {
	if !onNetwork(t) {
		return
	}
	trusttest.Need(t, "openssl", "gnutls-cli", "nginx", "exim4", "slapd")
	r := trusttest.NewAuthority(t, "Harbour Root 2026")
	write(t, "/usr/local/share/ca-certificates/harbour.crt", string(r.PEM()), 0o644)
	tool(t, "update-ca-certificates")
	own := trusttest.NewAuthority(t, "for its key")
	p := &roadstead{t: t, dir: "/etc/harbour"}
	issuing := own.Cert.Subject
	issuing.CommonName = "Harbour Servers"
	p.ca = certified(t, issuing, own.Key, r, time.Now().AddDate(5, 0, 0))
	for file, name := range map[string]string{"right": "tide.harbour.test", "web": "tide.harbour.test", "web-new": "tide.harbour.test", "other": "crane.harbour.test"} {
		p.files(file, name, p.ca.Cert)
	}
	p.files("short", "tide.harbour.test")
	write(t, p.at("exim.conf"), fmt.Sprintf(portExim, p.dir), 0o644)
	write(t, "/etc/exim4/exim4.conf", fmt.Sprintf(portExim, p.dir), 0o644)
	write(t, p.at("slapd.conf"), fmt.Sprintf(portSlapd, p.dir), 0o644)
	write(t, p.at("nginx.conf"), fmt.Sprintf(portNginx, p.dir), 0o644)
	p.openssl("7451", "right")
	p.openssl("7452", "right", "-tls1_2")
	p.openssl("7453", "right", "-tls1_3")
	p.openssl("7454", "right", "-Verify", "2")
	p.openssl("7455", "other")
	p.openssl("7456", "short")
	p.launch("127.0.0.1:2525", "exim4", "-bdf")
	p.launch("127.0.0.1:3389", "slapd", "-f", p.at("slapd.conf"), "-h", "ldap://127.0.0.1:3389", "-d", "0")
	web := p.launch("127.0.0.1:7460", "nginx", "-c", p.at("nginx.conf"), "-g", "daemon off;")

	for _, c := range []struct {
		what, at, startTLS string
		answer             trust.Answer
		version, code      string
		alone              bool // only ours is asked: the other clients want a certificate of their own to end well
	}{
		{what: "right", at: "127.0.0.1:7451", answer: trust.Verifies, version: "TLS 1.3"},
		{what: "TLS 1.2 alone", at: "127.0.0.1:7452", answer: trust.Verifies, version: "TLS 1.2"},
		{what: "TLS 1.3 alone", at: "127.0.0.1:7453", answer: trust.Verifies, version: "TLS 1.3"},
		{what: "a certificate demanded", at: "127.0.0.1:7454", answer: trust.Verifies, version: "TLS 1.3", code: "client-certificate", alone: true},
		{what: "another name", at: "127.0.0.1:7455", answer: trust.Fails, version: "TLS 1.3", code: "name-mismatch"},
		{what: "the issuer not sent", at: "127.0.0.1:7456", answer: trust.Fails, version: "TLS 1.3", code: "issuer-missing"},
		{what: "nginx", at: "127.0.0.1:7460", answer: trust.Verifies, version: "TLS 1.2"},
		{what: "a mail server", at: "127.0.0.1:2525", startTLS: "smtp", answer: trust.Verifies, version: "TLS 1.3"},
		{what: "a directory", at: "127.0.0.1:3389", startTLS: "ldap", answer: trust.Verifies, version: "TLS 1.3"},
	} {
		args := []string{c.at, "--name", "tide.harbour.test"}
		if c.startTLS != "" {
			args = append(args, "--starttls", c.startTLS)
		}
		code := map[trust.Answer]int{trust.Verifies: 0, trust.Fails: 1}[c.answer]
		v := probedHere(t, code, args...)[0]
		if len(v.Endpoints) != 1 || v.Answer != c.answer || v.Endpoints[0].Version != c.version {
			t.Errorf("%s: %+v", c.what, v)
			continue
		}
		if c.code != "" && !finds(v.Endpoints[0].Findings, c.code) {
			t.Errorf("%s: %s is missing in %+v", c.what, c.code, v.Endpoints[0].Findings)
		}
		if c.alone {
			continue
		}
		want := c.answer == trust.Verifies
		if got := refers(t, c.at, c.startTLS); got != want {
			t.Errorf("%s: OpenSSL's client verifies: %v", c.what, got)
		}
		if got := gnutlsRefers(t, c.at, c.startTLS); got != want {
			t.Errorf("%s: GnuTLS's client verifies: %v", c.what, got)
		}
	}
	p.renewal(web)
	p.quiet()
}

func finds(fs []trust.ServiceFinding, code string) bool {
	for _, f := range fs {
		if f.Code == code {
			return true
		}
	}
	return false
}

// renewal has somebody wait for nginx to serve another certificate.
func (p *roadstead) renewal(web *exec.Cmd) {
	p.t.Helper()
	before := probedHere(p.t, 0, "127.0.0.1:7460", "--name", "tide.harbour.test")[0].Endpoints[0].Leaf.Serial
	var wg sync.WaitGroup
	wg.Go(func() {
		time.Sleep(3 * time.Second)
		os.Rename(p.at("web-new.key"), p.at("web.key"))
		os.Rename(p.at("web-new.pem"), p.at("web.pem"))
		web.Process.Signal(syscall.SIGHUP)
	})
	said := must(p.t, 0, "/", "probe", "127.0.0.1:7460", "--name", "tide.harbour.test", "--wait", "30s").out
	wg.Wait()
	after := probedHere(p.t, 0, "127.0.0.1:7460", "--name", "tide.harbour.test")[0].Endpoints[0].Leaf.Serial
	if before == after {
		p.t.Error("nginx serves what it served before")
	}
	says(p.t, said, "serves serial "+before, "serves serial "+after+"; before it was "+before)
	if e := anchorhold(p.t, "/", "probe", "127.0.0.1:7460", "--name", "tide.harbour.test", "--wait", "3s"); e.code != exitWrong {
		p.t.Errorf("waiting for nothing ends with %d", e.code)
	}
}

// quiet counts what comes behind the handshake, and sees who asks.
func (p *roadstead) quiet() {
	p.t.Helper()
	pair, err := tls.LoadX509KeyPair(p.at("right.pem"), p.at("right.key"))
	if err != nil {
		p.t.Fatal(err)
	}
	l, err := tls.Listen("tcp", "127.0.0.1:7470", &tls.Config{Certificates: []tls.Certificate{pair}})
	if err != nil {
		p.t.Fatal(err)
	}
	defer l.Close()
	var after, shaken, others atomic.Int64
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			if owner(c.RemoteAddr().String()) != fmt.Sprint(nobody) {
				others.Add(1)
			}
			if c.(*tls.Conn).Handshake() == nil {
				shaken.Add(1)
				n, _ := io.Copy(io.Discard, c)
				after.Add(n)
			}
			c.Close()
		}
	}()
	probedHere(p.t, 0, "127.0.0.1:7470", "--name", "tide.harbour.test")
	if shaken.Load() != 1 || after.Load() != 0 || others.Load() != 0 {
		p.t.Errorf("%d handshakes, %d bytes behind them, %d by others than nobody", shaken.Load(), after.Load(), others.Load())
	}
}

// owner is the account that has a connection from an address (proc(5)).
func owner(remote string) string {
	host, number, _ := net.SplitHostPort(remote)
	ip := net.ParseIP(host).To4()
	var n int
	fmt.Sscan(number, &n)
	want := fmt.Sprintf("%02X%02X%02X%02X:%04X", ip[3], ip[2], ip[1], ip[0], n)
	data, _ := os.ReadFile("/proc/net/tcp")
	for _, line := range strings.Split(string(data), "\n") {
		if f := strings.Fields(line); len(f) > 7 && f[1] == want {
			return f[7]
		}
	}
	return "?"
}
