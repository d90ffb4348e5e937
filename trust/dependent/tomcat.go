package dependent

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"strings"
)

// tomcatNames are attributes that name files, of <Connector> up to Tomcat 8 and
// of <Certificate> from 8.5 on (tomcat.apache.org, "The HTTP connector").
var tomcatNames = map[string]kind{
	"keystoreFile":            keyStore,
	"certificateKeystoreFile": keyStore,
	"SSLCertificateFile":      certificate,
	"certificateFile":         certificate,
	"SSLCertificateChainFile": chain,
	"certificateChainFile":    chain,
}

// catalina are the properties that stand for the folder of a server, as far as
// one server a folder is concerned (tomcat.apache.org, "Introduction").
var catalina = strings.NewReplacer("${catalina.base}/", "", "${catalina.home}/", "")

// tomcat reads server.xml. Entities that somebody declared are not followed.
func tomcat(text []byte) (named []mention, whole bool) {
	d := xml.NewDecoder(bytes.NewReader(text))
	d.CharsetReader = func(_ string, in io.Reader) (io.Reader, error) { return in, nil } // names that count are ASCII in all of them
	for {
		at, _ := d.InputPos() // where the token begins
		t, err := d.Token()
		if err != nil {
			return named, errors.Is(err, io.EOF)
		}
		switch t := t.(type) {
		case xml.Directive:
			if bytes.Contains(t, []byte("<!ENTITY")) {
				named = append(named, mention{at, lost, "an entity", "declarations of a document type are not followed"})
			}
		case xml.StartElement:
			for _, a := range t.Attr {
				if k, ok := tomcatNames[a.Name.Local]; ok && a.Value != "" {
					named = append(named, name(at, k, catalina.Replace(a.Value), "${"))
				}
			}
			if kind := tomcatKind(t); kind != "" {
				named = append(named, mention{at, lost, kind, "a key store of this kind is no file"})
			}
		}
	}
}

// tomcatKind names a key store that is no file.
func tomcatKind(t xml.StartElement) string {
	for _, a := range t.Attr {
		if a.Name.Local != "keystoreType" && a.Name.Local != "certificateKeystoreType" {
			continue
		}
		if k := strings.ToUpper(a.Value); k == "PKCS11" || strings.HasPrefix(k, "WINDOWS-") {
			return a.Value
		}
	}
	return ""
}
