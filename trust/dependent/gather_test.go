package dependent

import (
	"bytes"
	"context"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/asn1"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

func anchors(roots ...ca) []root.Fingerprint {
	var all []root.Fingerprint
	for _, r := range roots {
		all = append(all, root.Of(r.cert.Raw))
	}
	return all
}

func same(a, b []root.Fingerprint) bool {
	by := func(a, b root.Fingerprint) int { return bytes.Compare(a[:], b[:]) }
	return slices.Equal(slices.SortedFunc(slices.Values(a), by), slices.SortedFunc(slices.Values(b), by))
}

// TestGatherTwins has one certificate each of an old root, of its renewed twin,
// of a new root, and of a new root that the old one has signed too.
func TestGatherTwins(t *testing.T) {
	old, other := newRoot(t, "Harbour Root 2016"), newRoot(t, "Harbour Root 2026")
	renewed := ca{certify(t, authority("Harbour Root 2016", years(20)), old.key, ca{}), old.key}
	cross := ca{certify(t, authority("Harbour Root 2026", years(5)), other.key, old), other.key}
	issuing := old.issuing(t, "Harbour Servers")
	m := newMachine(t)
	m.write("/etc/nginx/nginx.conf", []byte("server { ssl_certificate tide.pem; } server { ssl_certificate quay.pem; } server { ssl_certificate crane.pem; } server { ssl_certificate pier.pem; }"))
	m.write("/etc/nginx/tide.pem", inPEM(issuing.server(t, "tide.harbour.test", years(2)), issuing))
	m.write("/etc/nginx/quay.pem", inPEM(other.server(t, "quay.harbour.test", years(1))))
	m.write("/etc/nginx/crane.pem", inPEM(other.server(t, "crane.harbour.test", years(3)), cross))
	m.write("/etc/nginx/pier.pem", inPEM(newRoot(t, "Harbour Elsewhere").server(t, "pier.harbour.test", years(4))))
	a := m.gather(old, renewed, other)
	for _, c := range []struct {
		file string
		want []root.Fingerprint
	}{
		{"tide", anchors(old, renewed)},
		{"quay", anchors(other, old, renewed)}, // by the cross-signed twin that lies in crane's file
		{"crane", anchors(other, old, renewed)},
		{"pier", nil},
	} {
		f := a.file(t, "/etc/nginx/"+c.file+".pem")
		if !same(f.Anchors, c.want) || f.Server != "nginx" || f.Config != "/etc/nginx/nginx.conf" || f.Line != 1 || f.Ended || f.Short {
			t.Errorf("%s: %+v", c.file, f)
		}
		if len(f.Leaf.Names) != 1 || f.Leaf.Names[0] != c.file+".harbour.test" {
			t.Errorf("%s has the names %q", c.file, f.Leaf.Names)
		}
	}
	if len(a.Files) != 4 || len(a.Unread) != 0 || a.Files[0].Path != "/etc/nginx/quay.pem" || a.Files[3].Path != "/etc/nginx/pier.pem" {
		t.Errorf("not sorted by the end: %+v; unread %+v", a.Files, a.Unread)
	}
}

// TestGatherDates has certificates that ended, that have not begun, and one
// without its issuing CA's certificate.
func TestGatherDates(t *testing.T) {
	old := newRoot(t, "Harbour Root 2016")
	issuing := old.issuing(t, "Harbour Servers")
	key := newKey(t)
	later := ca{certify(t, x509.Certificate{DNSNames: []string{"later.harbour.test"}, NotBefore: years(1), NotAfter: years(2)}, key, old), key}
	m := newMachine(t)
	m.write("/etc/ssl/certs/ended.pem", inPEM(old.server(t, "ended.harbour.test", years(-1))))
	m.write("/etc/ssl/certs/later.pem", inPEM(later))
	m.write("/etc/ssl/certs/short.pem", inPEM(issuing.server(t, "short.harbour.test", years(1))))
	m.write("/etc/ssl/certs/whole.pem", inPEM(issuing.server(t, "whole.harbour.test", years(1)), issuing))
	a := m.gather(old)
	for name, want := range map[string]File{"ended": {Ended: true}, "later": {}, "short": {Short: true}, "whole": {}} {
		f := a.file(t, "/etc/ssl/certs/"+name+".pem")
		if !same(f.Anchors, anchors(old)) || f.Ended != want.Ended || f.Short != want.Short || f.Server != "" {
			t.Errorf("%s: %+v", name, f)
		}
	}
}

// TestGatherBeyondGo has a certificate with an extension that must be understood
// and is not: whether other libraries take it is not known.
func TestGatherBeyondGo(t *testing.T) {
	old := newRoot(t, "Harbour Root 2016")
	key := newKey(t)
	odd := ca{certify(t, x509.Certificate{DNSNames: []string{"odd.harbour.test"}, NotAfter: years(1),
		ExtraExtensions: []pkix.Extension{{Id: asn1.ObjectIdentifier{1, 3, 6, 1, 4, 1, 99999, 1}, Critical: true, Value: []byte{5, 0}}}}, key, old), key}
	m := newMachine(t)
	m.write("/etc/ssl/certs/odd.pem", inPEM(odd))
	a := m.gather(old)
	if got := a.missed(NotRead); len(a.file(t, "/etc/ssl/certs/odd.pem").Anchors) != 0 || len(got) != 1 {
		t.Errorf("%+v", a)
	}
}

// TestGatherFolder takes from folders whatever is no CA's, once, and nothing
// below them.
func TestGatherFolder(t *testing.T) {
	old := newRoot(t, "Harbour Root 2016")
	one, two := old.server(t, "one.harbour.test", years(1)), old.server(t, "two.harbour.test", years(1))
	m := newMachine(t)
	m.write("/etc/ssl/certs/root.pem", inPEM(old))
	m.write("/etc/ssl/certs/both.pem", slices.Concat(one.keyPEM(t), inPEM(one, two)))
	m.write("/etc/ssl/certs/note.txt", []byte("nothing"))
	m.write("/etc/ssl/certs/named.pem", inPEM(one, one))
	m.write("/etc/nginx/nginx.conf", []byte("ssl_certificate /etc/ssl/certs/named.pem;"))
	m.write("/etc/ssl/certs/deep/three.pem", inPEM(one))
	m.write("/srv/harbour/der.crt", two.cert.Raw)
	m.write("/srv/harbour/store.p12", append([]byte{0x30, 0x82, 1, 0, 2, 1, 3}, pfx...))
	m.link("/srv/harbour/again.pem", "/etc/ssl/certs/both.pem")
	m.link("/srv/harbour/gone.pem", "/nowhere")
	a := Gather(t.Context(), m.host(), Question{Roots: []trust.Root{old.root()}, At: now, Folders: []string{"/srv/harbour", "/srv/none"}})
	var got []string
	for _, f := range a.Files {
		got = append(got, f.Path+" "+f.Leaf.Names[0])
	}
	slices.Sort(got)
	if want := []string{"/etc/ssl/certs/both.pem one.harbour.test", "/etc/ssl/certs/both.pem two.harbour.test", "/etc/ssl/certs/named.pem one.harbour.test", "/srv/harbour/again.pem one.harbour.test",
		"/srv/harbour/again.pem two.harbour.test", "/srv/harbour/der.crt two.harbour.test"}; !slices.Equal(got, want) {
		t.Errorf("found %q", got)
	}
	if got := a.missed(NotRead); !slices.Equal(got, []string{"/srv/harbour/store.p12"}) {
		t.Errorf("not read: %q", got)
	}
	if got := a.missed(Missing); !slices.Equal(got, []string{"/srv/harbour/gone.pem", "/srv/none"}) {
		t.Errorf("missing: %q", got)
	}
}

// pfx is what follows the version of a PFX: a ContentInfo of the kind data.
var pfx = []byte{0x30, 0x0b, 6, 9, 0x2a, 0x86, 0x48, 0x86, 0xf7, 0x0d, 1, 7, 1}

// TestGatherJava takes the chains of private keys out of a key store.
func TestGatherJava(t *testing.T) {
	old := newRoot(t, "Harbour Root 2016")
	issuing := old.issuing(t, "Harbour Servers")
	m := newMachine(t)
	m.write("/var/lib/tomcat10/conf/server.xml", []byte(`<Server><Connector keystoreFile="conf/berth.jks"/><Connector keystoreFile="conf/torn.jks"/><Connector keystoreFile="conf/odd.jceks"/></Server>`))
	m.link("/etc/tomcat10", "/var/lib/tomcat10/conf")
	store := inStore("berth\x1b[2J", issuing.server(t, "berth.harbour.test", years(1)), issuing)
	m.write("/var/lib/tomcat10/conf/berth.jks", store)
	m.write("/var/lib/tomcat10/conf/torn.jks", store[:len(store)-100])
	m.write("/var/lib/tomcat10/conf/odd.jceks", []byte("\xce\xce\xce\xce"))
	a := m.gather(old)
	if len(a.Files) != 1 {
		t.Fatalf("%+v", a)
	}
	f := a.Files[0]
	if !strings.HasPrefix(f.Path, "/var/lib/tomcat10/conf/berth.jks#berth") || strings.Contains(f.Path, "\x1b") || f.Server != "Tomcat" || !same(f.Anchors, anchors(old)) {
		t.Errorf("%+v", f)
	}
	if got := a.missed(NotRead); len(got) != 2 {
		t.Errorf("not read: %q", got)
	}
}

// TestGatherHAProxy has a folder, a list, a certificate in files by algorithm,
// and keys beside them all.
func TestGatherHAProxy(t *testing.T) {
	old := newRoot(t, "Harbour Root 2016")
	m := newMachine(t)
	m.write("/etc/haproxy/haproxy.cfg", []byte("global\n crt-base /etc/harbour\nfrontend f\n bind :1 ssl crt shelf crt tide.pem\n bind :2 ssl crt-list list.txt\n bind :3 ssl crt none.pem\n"))
	with := func(name, host string) {
		c := old.server(t, host, years(1))
		m.write("/etc/harbour/"+name, slices.Concat(inPEM(c), c.keyPEM(t)))
	}
	with("shelf/one.pem", "one.harbour.test")
	with("shelf/two.pem", "two.harbour.test")
	with("shelf/.hidden.pem", "hidden.harbour.test")
	with("tide.pem.rsa", "tide.harbour.test")
	with("tide.pem.ecdsa", "tide.harbour.test")
	with("listed.pem", "listed.harbour.test")
	m.write("/etc/harbour/shelf/one.pem.key", old.server(t, "x", years(1)).keyPEM(t))
	m.write("/etc/harbour/list.txt", []byte("listed.pem [alpn h2] listed.harbour.test\n"))
	a := m.gather(old)
	var got []string
	for _, f := range a.Files {
		got = append(got, fmt.Sprint(strings.TrimPrefix(f.Path, "/etc/harbour/"), " ", filepath.Base(f.Config), ":", f.Line))
	}
	slices.Sort(got)
	if want := []string{"listed.pem list.txt:1", "shelf/one.pem haproxy.cfg:4", "shelf/two.pem haproxy.cfg:4", "tide.pem.ecdsa haproxy.cfg:4", "tide.pem.rsa haproxy.cfg:4"}; !slices.Equal(got, want) {
		t.Errorf("found %q", got)
	}
	if got := a.missed(Missing); !slices.Equal(got, []string{"/etc/harbour/none.pem"}) || len(a.Unread) != 1 {
		t.Errorf("unread %+v", a.Unread)
	}
}

// TestGatherApacheChain has the issuing CA's certificate in a file of its own.
func TestGatherApacheChain(t *testing.T) {
	old := newRoot(t, "Harbour Root 2016")
	issuing := old.issuing(t, "Harbour Servers")
	m := newMachine(t)
	m.write("/etc/httpd/conf/httpd.conf", []byte("ServerRoot /etc/httpd\nIncludeOptional conf.d/*.conf\nIncludeOptional none/*.conf\nInclude sites\nInclude gone.conf\n"))
	m.write("/etc/httpd/conf.d/ssl.conf", []byte("SSLCertificateFile pki/quay.pem\nSSLCertificateChainFile pki/chain.pem\n"))
	m.write("/etc/httpd/sites/a/b.conf", []byte("SSLCertificateFile pki/crane.pem\n"))
	m.write("/etc/httpd/pki/quay.pem", inPEM(issuing.server(t, "quay.harbour.test", years(1))))
	m.write("/etc/httpd/pki/crane.pem", inPEM(old.server(t, "crane.harbour.test", years(1))))
	m.write("/etc/httpd/pki/chain.pem", inPEM(issuing))
	a := m.gather(old)
	if f := a.file(t, "/etc/httpd/pki/quay.pem"); !same(f.Anchors, anchors(old)) {
		t.Errorf("%+v", f)
	}
	if f := a.file(t, "/etc/httpd/pki/crane.pem"); f.Config != "/etc/httpd/sites/a/b.conf" {
		t.Errorf("%+v", f)
	}
	if got := a.missed(Missing); !slices.Equal(got, []string{"/etc/httpd/gone.conf"}) || len(a.Files) != 2 || len(a.Unread) != 1 {
		t.Errorf("unread %+v", a.Unread)
	}
}

// TestGatherIncludes has configurations that take each other in, too many of
// them, one that is no text, one that is too large, and names with variables.
func TestGatherIncludes(t *testing.T) {
	old := newRoot(t, "Harbour Root 2016")
	m := newMachine(t)
	m.write("/etc/nginx/nginx.conf", []byte("include nginx.conf; include a/*; include b/0; include bin; include large; include $dir/c; include /etc/nginx/d[; ssl_certificate $name.pem; ssl_certificate key.pem; ssl_certificate text.pem;"))
	m.write("/etc/nginx/a/1", []byte("include a/2; include nginx.conf; ssl_certificate tide.pem;"))
	m.write("/etc/nginx/a/2", []byte("include a/1; ssl_certificate tide.pem; ssl_certificate pipe;"))
	m.write("/etc/nginx/a/.3", []byte("ssl_certificate hidden.pem;"))
	for i := range maxDepth + 5 {
		m.write(fmt.Sprintf("/etc/nginx/b/%d", i), fmt.Appendf(nil, "include b/%d;", i+1))
	}
	m.write("/etc/nginx/bin", []byte("ssl_certificate\x00"))
	m.write("/etc/nginx/large", bytes.Repeat([]byte(" "), maxConfig+1))
	m.write("/etc/nginx/tide.pem", inPEM(old.server(t, "tide.harbour.test", years(1))))
	m.write("/etc/nginx/key.pem", old.keyPEM(t))
	m.write("/etc/nginx/text.pem", []byte("nothing"))
	if err := os.Mkdir(filepath.Join(m.dir, "/etc/nginx/pipe"), 0o755); err != nil {
		t.Fatal(err)
	}
	a := m.gather(old)
	if len(a.Files) != 1 {
		t.Errorf("%+v", a.Files)
	}
	for r, want := range map[Reason][]string{
		NotRead:     {"/etc/nginx/pipe", "/etc/nginx/bin", "/etc/nginx/text.pem"},
		TooMuch:     {"/etc/nginx/b/16", "/etc/nginx/large"},
		NotFollowed: {"$dir/c", "$name.pem"},
		Missing:     nil,
		Forbidden:   nil,
	} {
		if got := a.missed(r); !slices.Equal(got, want) {
			t.Errorf("%s: %q, want %q", r, got, want)
		}
	}
}

// TestGatherIsBounded keeps so many certificates and tells that there are more.
func TestGatherIsBounded(t *testing.T) {
	c, err := root.Parse(newRoot(t, "Harbour Root 2016").cert.Raw)
	if err != nil {
		t.Fatal(err)
	}
	s := &search{told: map[Unread]bool{}, holder: holders{known: map[root.Fingerprint]bool{}}}
	for i := range maxFound + 2 {
		s.keep(held{place{}, fmt.Sprint(i), []*root.Certificate{c}})
	}
	if len(s.holder.served) != maxFound || len(s.unread) != 1 || s.unread[0].Reason != TooMuch {
		t.Errorf("%d kept, unread %+v", len(s.holder.served), s.unread)
	}
	s.unread = nil
	for i := range maxUnread + 5 {
		s.missed(place{}, fmt.Sprint("other ", i), Missing, "it is not there")
	}
	if len(s.unread) != maxUnread+1 || s.unread[maxUnread].Reason != TooMuch {
		t.Errorf("%d things not read, last %+v", len(s.unread), s.unread[len(s.unread)-1])
	}
}

// TestGatherTooMuch has a file beyond its bound, and a search that is called off.
func TestGatherTooMuch(t *testing.T) {
	old := newRoot(t, "Harbour Root 2016")
	m := newMachine(t)
	m.write("/etc/ssl/certs/huge.pem", slices.Concat(inPEM(old.server(t, "huge.harbour.test", years(1))), make([]byte, maxHolder)))
	m.write("/etc/ssl/certs/tide.pem", inPEM(old.server(t, "tide.harbour.test", years(1))))
	if a := m.gather(old); len(a.Files) != 1 || !slices.Equal(a.missed(TooMuch), []string{"/etc/ssl/certs/huge.pem"}) {
		t.Errorf("%+v", a)
	}
	ctx, stop := context.WithCancel(t.Context())
	stop()
	if a := Gather(ctx, m.host(), Question{At: now}); len(a.Files) != 0 || len(a.missed(TooMuch)) != 1 {
		t.Errorf("%+v", a)
	}
}

// TestAnswers takes what a child says of its question, and nothing else.
func TestAnswers(t *testing.T) {
	old, other := newRoot(t, "Harbour Root 2016"), newRoot(t, "Harbour Root 2026")
	m := newMachine(t)
	m.write("/etc/ssl/certs/tide.pem", inPEM(old.server(t, "tide.harbour.test", years(1))))
	a := m.gather(old)
	q := Question{Roots: []trust.Root{old.root()}, At: now}
	a.Unread = append(a.Unread, Unread{Path: "/etc/\x1b[2J", Reason: Missing})
	data, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	got, err := Answers(data, q)
	if err != nil || len(got.Files) != 1 || !same(got.Files[0].Anchors, anchors(old)) || strings.Contains(got.Unread[0].Path, "\x1b") {
		t.Errorf("%+v, %v", got, err)
	}
	if got, err := Answers(data, Question{Roots: []trust.Root{other.root()}}); err == nil {
		t.Errorf("a root that nobody asked about is taken: %+v", got)
	}
	for _, bad := range []string{"", "[]", "{", `{"files": [], "more": 1}`, `{"files": [` + strings.Repeat(`{},`, maxFound) + `{}]}`} {
		if got, err := Answers([]byte(bad), q); err == nil {
			t.Errorf("%.40q is taken: %+v", bad, got)
		}
	}
}

func TestChildRefuses(t *testing.T) {
	for _, q := range []string{"", "{}", "null", `{"at": "2026-11-25T12:00:00Z", "folders": ["etc"]}`} {
		var out bytes.Buffer
		if err := Child(t.Context(), strings.NewReader(q), &out); err == nil || out.Len() > 0 {
			t.Errorf("%q is answered: %s", q, &out)
		}
	}
}
