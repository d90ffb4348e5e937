package dependent

import (
	"fmt"
	"slices"
	"strings"
	"testing"
)

// say writes mentions as "line kind path", or "line lost path".
func say(named []mention) []string {
	kinds := map[kind]string{certificate: "certificate", shelf: "shelf", chain: "chain", keyStore: "store", list: "list",
		include: "include", include0: "try", base: "base", shelfBase: "shelves", lost: "lost"}
	var all []string
	for _, m := range named {
		all = append(all, fmt.Sprintf("%d %s %s", m.line, kinds[m.kind], m.path))
	}
	return all
}

type parserCase struct {
	name, text string
	want       []string
	torn       bool
}

func (c parserCase) try(t *testing.T, parse parser) {
	t.Helper()
	named, whole := parse([]byte(c.text))
	if got := say(named); !slices.Equal(got, c.want) || whole == c.torn {
		t.Errorf("%s: whole %v\n got %q\nwant %q", c.name, whole, got, c.want)
	}
}

func TestNginx(t *testing.T) {
	for _, c := range []parserCase{
		{"plain", "server {\n  ssl_certificate /etc/ssl/tide.pem;\n}\n", []string{"2 certificate /etc/ssl/tide.pem"}, false},
		{"several on a line", "ssl_certificate a;ssl_certificate b;include c;", []string{"1 certificate a", "1 certificate b", "1 include c"}, false},
		{"over lines", "ssl_certificate\n\n  a\n;", []string{"1 certificate a"}, false},
		{"comments", "# note; ssl_certificate a;\nssl_certificate b; # ssl_certificate c;\nssl_certificate d#e;", []string{"2 certificate b", "3 certificate d#e"}, false},
		{"quotes", `ssl_certificate "the quay.pem"; ssl_certificate 'it''s'; include "conf.d/*.conf";`,
			[]string{"1 certificate the quay.pem", "1 certificate it", "1 include conf.d/*.conf"}, false},
		{"escapes", `ssl_certificate a\ b.pem; ssl_certificate "a\"b"; ssl_certificate a\;b;`,
			[]string{"1 certificate a b.pem", `1 certificate a"b`, "1 certificate a;b"}, false},
		{"inside a string", "return 200 \"ssl_certificate a;\n\";\nssl_certificate b;", []string{"3 certificate b"}, false},
		{"variables", "ssl_certificate /etc/ssl/$ssl_server_name.pem; ssl_certificate data:$pem; ssl_certificate ${dir}/a;",
			[]string{"1 lost /etc/ssl/$ssl_server_name.pem", "1 lost data:$pem", "1 lost ${dir}/a"}, false},
		{"keys are not named", "ssl_certificate_key a; ssl_client_certificate b; ssl_trusted_certificate c;", nil, false},
		{"a token", "ssl_certificate engine:pkcs11:tide;", []string{"1 lost engine:pkcs11:tide"}, false},
		{"a quote that is not closed", "ssl_certificate a;\nadd_header x \"y;\nssl_certificate b;", []string{"1 certificate a"}, true},
		{"a block that is not closed", "server { ssl_certificate a;", []string{"1 certificate a"}, true},
		{"a block too much", "} ssl_certificate a;", []string{"1 certificate a"}, true},
		{"no argument", "ssl_certificate; include;", nil, false},
		{"CRLF", "ssl_certificate a;\r\ninclude b;\r\n", []string{"1 certificate a", "2 include b"}, false},
		{"empty", "", nil, false},
	} {
		c.try(t, nginx)
	}
}

func TestApache(t *testing.T) {
	for _, c := range []parserCase{
		{"plain", "<VirtualHost *:443>\n\tSSLCertificateFile /etc/ssl/quay.pem\n\tSSLCertificateChainFile\t/etc/ssl/chain.pem\n</VirtualHost>\n",
			[]string{"2 certificate /etc/ssl/quay.pem", "3 chain /etc/ssl/chain.pem"}, false},
		{"cases", "sslcertificatefile a\nINCLUDE b\nIncludeOptional c/*.conf\nServerRoot \"/etc/httpd\"", []string{"1 certificate a", "2 include b", "3 try c/*.conf", "4 base /etc/httpd"}, false},
		{"comments", "# SSLCertificateFile a\n  #SSLCertificateFile b\nSSLCertificateFile c#d", []string{"3 certificate c#d"}, false},
		{"goes on", "SSLCertificateFile \\\n   a\nSSLCertificateFile b", []string{"1 certificate a", "3 certificate b"}, false},
		{"quotes", `SSLCertificateFile "the quay.pem"` + "\n" + `SSLCertificateFile 'b c'`, []string{"1 certificate the quay.pem", "2 certificate b c"}, false},
		{"variables", "SSLCertificateFile ${PIER}/a", []string{"1 lost ${PIER}/a"}, false},
		{"a token", "SSLCertificateFile pkcs11:token=quay", []string{"1 lost pkcs11:token=quay"}, false},
		{"other directives", "SSLCertificateKeyFile a\nSSLCACertificateFile b\nSSLCertificateFile", nil, false},
		{"a quote that is not closed", `SSLCertificateFile "a b`, []string{"1 certificate a b"}, true},
	} {
		c.try(t, apache)
	}
}

func TestHAProxy(t *testing.T) {
	for _, c := range []parserCase{
		{"plain", "frontend f\n  bind :443 ssl crt /etc/ssl/crane.pem crt b.pem alpn h2\n", []string{"2 shelf /etc/ssl/crane.pem", "2 shelf b.pem"}, false},
		{"base and list", "global\n crt-base /etc/ssl\nbind :1 ssl crt-list l.txt", []string{"2 shelves /etc/ssl", "3 list l.txt"}, false},
		{"comments", "# crt a\nbind :1 ssl crt b # crt c\n", []string{"2 shelf b"}, false},
		{"quotes and escapes", `bind :1 ssl crt "the crane.pem" crt a\ b crt 'c"d'`, []string{"1 shelf the crane.pem", "1 shelf a b", `1 shelf c"d`}, false},
		{"variables", `bind :1 ssl crt "$PIER/a"`, []string{"1 lost $PIER/a"}, false},
		{"no name", "bind :1 ssl crt", nil, false},
		{"others", "bind :1 ssl ca-file a crl-file b", nil, false},
	} {
		c.try(t, haproxy)
	}
	parserCase{"list", "# a\nb.pem [alpn h2] tide.harbour.test\n\n c.pem\n", []string{"2 shelf b.pem", "4 shelf c.pem"}, false}.try(t, haproxyList)
}

func TestMail(t *testing.T) {
	for _, c := range []parserCase{
		{"plain", "smtpd_tls_cert_file = /etc/ssl/mail.pem\n", []string{"1 certificate /etc/ssl/mail.pem"}, false},
		{"goes on", "smtpd_tls_chain_files =\n  /a.key,\n# between\n  /a.pem\nsmtpd_tls_eccert_file=/b", []string{"1 certificate /a.key", "1 certificate /a.pem", "5 certificate /b"}, false},
		{"comments", "#smtpd_tls_cert_file = /a\nsmtpd_tls_cert_file = none\n", nil, false},
		{"variables", "smtpd_tls_cert_file = $config_directory/a", []string{"1 lost $config_directory/a"}, false},
		{"others", "smtpd_tls_key_file = /a\nsmtp_tls_cert_file = /b\nsmtpd_tls_CAfile = /c", nil, false},
	} {
		c.try(t, postfix)
	}
	parserCase{"master", "smtps inet n - y - - smtpd\n  -o smtpd_tls_wrappermode=yes\n  -o smtpd_tls_cert_file=/a\n", []string{"1 certificate /a"}, false}.try(t, postfixMaster)
	for _, c := range []parserCase{
		{"plain", "ssl_cert = </etc/ssl/mail.pem\nssl_alt_cert =<b.pem\n", []string{"1 certificate /etc/ssl/mail.pem", "2 certificate b.pem"}, false},
		{"newer", "ssl_server_cert_file = \"/a\" # here", []string{"1 certificate /a"}, false},
		{"blocks", "local_name mail.harbour.test {\n  ssl_cert = </a\n}\nlocal 192.0.2.1 { ssl_cert = </b }", []string{"2 certificate /a", "4 certificate /b"}, false},
		{"comments", "#ssl_cert = </a\nssl_cert = </b # </c", []string{"2 certificate /b"}, false},
		{"includes", "!include conf.d/*.conf\n!include_try local.conf", []string{"1 include conf.d/*.conf", "2 try local.conf"}, false},
		{"inline", "ssl_cert = -----BEGIN CERTIFICATE-----", []string{"1 lost ssl_cert"}, false},
		{"others", "ssl_key = </a\nssl_ca = </b\nssl_cert =", nil, false},
	} {
		c.try(t, dovecot)
	}
	for _, c := range []parserCase{
		{"plain", "tls_certificate = /a\n.include /etc/exim4/more\n.include_if_exists /b", []string{"1 certificate /a", "2 include /etc/exim4/more", "3 try /b"}, false},
		{"goes on, a list", "tls_certificate = \\\n  /a : /b\n", []string{"1 certificate /a", "1 certificate /b"}, false},
		{"macros and expansions", "tls_certificate = MAIN_TLS_CERTIFICATE\ntls_certificate = ${if def:x{/a}{/b}}", []string{"1 lost MAIN_TLS_CERTIFICATE", "2 lost ${if def:x{/a}{/b}}"}, false},
		{"comments", "# tls_certificate = /a\ntls_privatekey = /b", nil, false},
	} {
		c.try(t, exim)
	}
}

func TestDirectoryAndDatabase(t *testing.T) {
	for _, c := range []parserCase{
		{"plain", "TLSCertificateFile /a\ntlscertificatefile \"/b c\"\ninclude /etc/ldap/more.conf", []string{"1 certificate /a", "2 certificate /b c", "3 include /etc/ldap/more.conf"}, false},
		{"goes on", "TLSCertificateFile\n  /a\n#TLSCertificateFile /b", []string{"1 certificate /a"}, false},
		{"others", "TLSCACertificateFile /a\nTLSCertificateKeyFile /b", nil, false},
	} {
		c.try(t, slapd)
	}
	for _, c := range []parserCase{
		{"plain", "dn: cn=config\nolcTLSCertificateFile: /a\n", []string{"2 certificate /a"}, false},
		{"folded", "olctlscertificatefile: /etc/ss\n l/a", []string{"1 certificate /etc/ssl/a"}, false},
		{"in base64", "olcTLSCertificateFile:: L2V0Yy9h\n", []string{"1 certificate /etc/a"}, false},
		{"in bad base64", "olcTLSCertificateFile:: L2V0Y\x01", nil, true},
		{"others", "# olcTLSCertificateFile: /a\nolcTLSCertificateKeyFile: /b", nil, false},
	} {
		c.try(t, slapdLDIF)
	}
	for _, c := range []parserCase{
		{"plain", "ssl_cert_file = '/etc/ssl/db.pem'\t# here\nSSL_CERT_FILE='server.crt'\nssl_cert_file /c", []string{"1 certificate /etc/ssl/db.pem", "2 certificate server.crt", "3 certificate /c"}, false},
		{"includes", "include_dir = 'conf.d'\ninclude_if_exists 'a'\ninclude = 'b'", []string{"1 include conf.d", "2 try a", "3 include b"}, false},
		{"others", "#ssl_cert_file = '/a'\nssl_key_file = '/b'", nil, false},
	} {
		c.try(t, postgres)
	}
	for _, c := range []parserCase{
		{"plain", "[mysqld]\nssl-cert=/a\nssl_cert = \"/b\"\n", []string{"2 certificate /a", "3 certificate /b"}, false},
		{"clients", "ssl-cert=/z\n[client]\nssl-cert=/a\n[mysql]\nssl-cert=/b\n[mariadb-11.4]\nssl-cert=/c", []string{"7 certificate /c"}, false},
		{"includes", "!includedir /etc/mysql/conf.d/\n!include /etc/more.cnf", []string{"1 try /etc/mysql/conf.d//*.cnf", "2 include /etc/more.cnf"}, false},
		{"comments", "[mysqld]\n#ssl-cert=/a\n;ssl-cert=/b\nssl-key=/c", nil, false},
	} {
		c.try(t, mysql)
	}
}

func TestTomcat(t *testing.T) {
	for _, c := range []parserCase{
		{"one and many", "<Server>\n<Connector keystoreFile=\"conf/a.jks\" truststoreFile='b'/>\n<SSLHostConfig><Certificate certificateKeystoreFile='/c' type=\"RSA\"/></SSLHostConfig>\n</Server>",
			[]string{"2 store conf/a.jks", "3 store /c"}, false},
		{"PEM", "<Certificate certificateFile='a' certificateChainFile='b' certificateKeyFile='c'/>", []string{"1 certificate a", "1 chain b"}, false},
		{"comments", "<Server><!-- <Connector keystoreFile='a'/>\n --><Connector keystoreFile='b'/></Server>", []string{"2 store b"}, false},
		{"the folder of the server", "<Connector keystoreFile='${catalina.base}/conf/a'/>", []string{"1 store conf/a"}, false},
		{"variables", "<Connector keystoreFile='${user.home}/a'/>", []string{"1 lost ${user.home}/a"}, false},
		{"no file", "<Connector keystoreType='PKCS11'/>", []string{"1 lost PKCS11"}, false},
		{"entities", "<!DOCTYPE Server [<!ENTITY more SYSTEM \"more.xml\">]>\n<Server></Server>", []string{"1 lost an entity"}, false},
		{"another charset", "<?xml version='1.0' encoding='iso-8859-1'?><Connector keystoreFile='a'/>", []string{"1 store a"}, false},
		{"torn", "<Server><Connector keystoreFile='a'/>", []string{"1 store a"}, true},
		{"no XML", "keystoreFile = a < b", nil, true},
	} {
		c.try(t, tomcat)
	}
}

// TestParsersTakeAnything feeds each parser what is no configuration.
func TestParsersTakeAnything(t *testing.T) {
	tried := 0
	for _, s := range append(servers, server{name: "a list", parse: haproxyList}) {
		for _, text := range []string{"\x00\x01\xff", strings.Repeat("a", 1<<16), strings.Repeat("{", 1<<16), strings.Repeat("\\\n", 1<<12), strings.Repeat("<a>", 1<<12), "\"", "'", "\\"} {
			named, _ := s.parse([]byte(text))
			for _, m := range named {
				if m.kind != shelf {
					t.Errorf("%s: %+v out of nothing", s.name, m)
				}
			}
			tried++
		}
	}
	if tried == 0 {
		t.Error("nothing was tried")
	}
}

func FuzzParsers(f *testing.F) {
	f.Add("server { ssl_certificate \"a b\"; include c; }")
	f.Add("SSLCertificateFile \\\n a\nInclude b")
	f.Add("bind :443 ssl crt 'a' crt-list b")
	f.Add("<Server><Connector keystoreFile='a'/></Server>")
	f.Add("ssl_cert = <a\ntls_certificate = /a:/b\nsmtpd_tls_chain_files = a, b\nolcTLSCertificateFile:: L2E=\n[mysqld]\nssl-cert=a")
	f.Fuzz(func(t *testing.T, text string) {
		end := strings.Count(text, "\n") + 1
		for _, s := range append(servers, server{name: "a list", parse: haproxyList}) {
			named, _ := s.parse([]byte(text))
			for _, m := range named {
				if m.line < 1 || m.line > end || m.kind == lost && m.note == "" {
					t.Errorf("%s: %+v", s.name, m)
				}
			}
		}
	})
}
