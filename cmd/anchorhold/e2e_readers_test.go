package main

import (
	"crypto/ecdsa"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust/trusttest"
)

// crane is the service that readers of the host connect to.
const crane = "crane.harbour.test"

// dialGo makes this test program a client in Go: "dialGo PORT".
const dialGo = "dial-as-a-program-in-go"

// goClient is where that program lies on a private machine.
const goClient = "/usr/bin/harbour-client"

// serve runs a TLS service of the host's own and returns its port.
func serve(t *testing.T, cert *x509.Certificate, key *ecdsa.PrivateKey) string {
	t.Helper()
	l, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{cert.Raw}, PrivateKey: key}}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				c.SetDeadline(time.Now().Add(10 * time.Second))
				b := make([]byte, 512)
				if _, err := c.Read(b); err == nil {
					fmt.Fprint(c, "HTTP/1.0 200 OK\r\nContent-Length: 5\r\n\r\nhello")
				}
			}()
		}
	}()
	return port(t, l)
}

func port(t *testing.T, l net.Listener) string {
	t.Helper()
	_, p, err := net.SplitHostPort(l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// clientGo is the body of the client in Go; its error says why it refuses.
func clientGo(port string) error {
	c, err := tls.Dial("tcp", "127.0.0.1:"+port, &tls.Config{ServerName: crane})
	if err != nil {
		return err
	}
	_, err = fmt.Fprint(c, "GET / HTTP/1.0\r\n\r\n")
	return err
}

const clientPython = `import socket, ssl, sys
c = ssl.create_default_context()
with socket.create_connection(("127.0.0.1", int(sys.argv[1])), 10) as s:
    try:
        c.wrap_socket(s, server_hostname="crane.harbour.test").close()
    except ssl.SSLCertVerificationError as e:
        sys.exit(60)
`

const clientJava = `import java.net.Socket;
import javax.net.ssl.*;
public class Client {
    public static void main(String[] a) throws Exception {
        try (Socket raw = new Socket("127.0.0.1", Integer.parseInt(a[0]))) {
            SSLSocket s = (SSLSocket) ((SSLSocketFactory) SSLSocketFactory.getDefault()).createSocket(raw, "crane.harbour.test", raw.getPort(), true);
            SSLParameters p = s.getSSLParameters();
            p.setEndpointIdentificationAlgorithm("HTTPS");
            s.setSSLParameters(p);
            s.startHandshake();
            s.close();
        } catch (SSLHandshakeException e) {
            System.exit(60);
        }
    }
}
`

// clients are the programs of the host that connect to the crane, each by its
// command line; a client that refuses the certificate ends with one of codes.
type client struct {
	name  string
	argv  []string
	codes []int
}

func clients(t *testing.T, port string) []client {
	t.Helper()
	trusttest.Need(t, "openssl", "curl", "gnutls-cli", "python3")
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(goClient); err != nil {
		tool(t, "install", "-m", "0755", self, goClient)
	}
	at := "127.0.0.1:" + port
	all := []client{
		{"OpenSSL", []string{"openssl", "s_client", "-connect", at, "-servername", crane, "-verify_hostname", crane, "-verify_return_error", "-brief"}, []int{1}},
		{"curl", []string{"curl", "-s", "-o", "/dev/null", "--max-time", "10", "--resolve", crane + ":" + port + ":127.0.0.1", "https://" + crane + ":" + port + "/"}, []int{60}},
		{"GnuTLS", []string{"gnutls-cli", "--port", port, "--sni-hostname", crane, "--verify-hostname", crane, "127.0.0.1"}, []int{1}},
		{"Python", []string{"/usr/bin/python3", open(t, clientPython), port}, []int{60}},
		{"Go", []string{goClient, dialGo, port}, []int{60}},
	}
	if out, err := exec.Command("java", "--list-modules").Output(); err == nil && strings.Contains(string(out), "jdk.compiler") {
		file := strings.TrimSuffix(open(t, clientJava), "file.pem") + "Client.java"
		write(t, file, clientJava, 0o644)
		all = append(all, client{"Java", []string{"java", file, port}, []int{60}})
	} else {
		t.Log("no Java that runs a source file: keytool alone tells of Java's store")
	}
	return all
}

// connect has every client connect as nobody, and wants all of them to verify
// the crane, or all to refuse it.
func connect(t *testing.T, port string, want bool) {
	t.Helper()
	for _, c := range clients(t, port) {
		e := asNobody(t, c.argv[0], c.argv[1:]...)
		refused := false
		for _, code := range c.codes {
			refused = refused || e.code == code
		}
		switch {
		case e.code != 0 && !refused:
			t.Errorf("%s: it could not tell: exit %d\n%s", c.name, e.code, e.all())
		case (e.code == 0) != want:
			t.Errorf("%s verifies: %v\n%s", c.name, e.code == 0, e.all())
		}
	}
}
