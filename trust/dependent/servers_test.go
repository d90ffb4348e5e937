package dependent

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/testdata"
)

// configured lays the configurations of the fixtures on a machine.
func configured(t *testing.T) machine {
	t.Helper()
	m := newMachine(t)
	from := testdata.Path(t, "servers")
	laid := 0
	err := filepath.WalkDir(from, func(file string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(file)
		if err != nil {
			return err
		}
		laid++
		m.write(strings.TrimPrefix(filepath.ToSlash(file), filepath.ToSlash(from)), data)
		return nil
	})
	if err != nil || laid == 0 {
		t.Fatalf("%d configurations: %v", laid, err)
	}
	m.link("/var/lib/tomcat10/conf", "/etc/tomcat10")
	return m
}

// TestGatherServers follows a whole configuration of each kind of server: what
// is commented out or stands within a text is not followed.
func TestGatherServers(t *testing.T) {
	old := newRoot(t, "Harbour Root 2016")
	issuing := old.issuing(t, "Harbour Servers")
	m := configured(t)
	serve := func(name string) []byte {
		return inPEM(issuing.server(t, strings.TrimSuffix(filepath.Base(name), filepath.Ext(name))+".harbour.test", years(1)), issuing)
	}
	want := map[string]string{
		"/etc/harbour/tide.pem":                  "nginx /etc/nginx/nginx.conf:11",
		"/etc/harbour/quay.pem":                  "nginx /etc/nginx/conf.d/quay.conf:4",
		"/etc/harbour/crane.pem":                 "Apache /etc/apache2/sites-enabled/crane.conf:5",
		"/etc/harbour/haproxy/gate.pem":          "HAProxy /etc/haproxy/haproxy.cfg:7",
		"/etc/harbour/haproxy/shelf/yard.pem":    "HAProxy /etc/haproxy/haproxy.cfg:7",
		"/etc/harbour/haproxy/lock.pem":          "HAProxy /etc/harbour/haproxy/list.txt:2",
		"/etc/harbour/mail.pem":                  "Postfix /etc/postfix/main.cf:3",
		"/etc/harbour/imap.pem":                  "Dovecot /etc/dovecot/conf.d/10-ssl.conf:2",
		"/etc/dovecot/conf.d/old.pem":            "Dovecot /etc/dovecot/conf.d/10-ssl.conf:5",
		"/etc/harbour/relay.pem":                 "Exim /etc/exim4/exim4.conf:3",
		"/etc/harbour/ldap.pem":                  "slapd /etc/ldap/slapd.conf:3",
		"/var/lib/tomcat10/conf/berth.jks#berth": "Tomcat /var/lib/tomcat10/conf/server.xml:9",
		"/etc/harbour/database.pem":              "PostgreSQL /etc/postgresql/15/main/postgresql.conf:3",
		"/etc/harbour/ledger.pem":                "MySQL /etc/mysql/mariadb.conf.d/50-server.cnf:7",
	}
	for name := range want {
		if !strings.Contains(name, "#") {
			m.write(name, serve(name))
		}
	}
	m.write("/etc/harbour/issuing.pem", inPEM(issuing))
	m.write("/etc/harbour/haproxy/list.txt", []byte("# certificates\nlock.pem lock.harbour.test\n"))
	m.write("/etc/harbour/keys/mail.key", old.keyPEM(t))
	m.write("/etc/tomcat10/berth.jks", inStore("berth", issuing.server(t, "berth.harbour.test", years(1)), issuing))
	m.write("/etc/tomcat10/berth.p12", append([]byte{0x30, 0x82, 1, 0, 2, 1, 3}, pfx...))
	for _, trap := range []string{"/etc/harbour/commented.pem", "/etc/harbour/in-a-string.pem", "/etc/harbour/berth.pem"} {
		m.write(trap, serve("trap"))
	}

	a := m.gather(old)
	got := map[string]string{}
	for _, f := range a.Files {
		got[f.Path] = fmt.Sprintf("%s %s:%d", f.Server, f.Config, f.Line)
		if !same(f.Anchors, anchors(old)) || f.Short {
			t.Errorf("%+v", f)
		}
	}
	for name, by := range want {
		if got[name] != by {
			t.Errorf("%s is named by %q, want %q", name, got[name], by)
		}
		delete(got, name)
	}
	if len(got) > 0 {
		t.Errorf("found besides: %q", got)
	}
	var unread []string
	for _, u := range a.Unread {
		unread = append(unread, fmt.Sprintf("%s %s: %s", u.Server, u.Path, u.Reason))
	}
	slices.Sort(unread)
	if want := []string{
		"Apache ${HARBOUR}/berth.pem: not followed",
		"HAProxy ${PIER}/berth.pem: not followed",
		"PostgreSQL /etc/postgresql/15/main/conf.d: missing",
		"Tomcat ${user.home}/.keystore: not followed",
		"Tomcat /var/lib/tomcat10/conf/berth.p12: not read",
		"nginx /etc/harbour/by-name/$ssl_server_name.pem: not followed",
		"slapd /etc/ldap/more.conf: missing",
	}; !slices.Equal(unread, want) {
		t.Errorf("unread %q", unread)
	}
}
