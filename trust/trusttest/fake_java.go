package trusttest

import (
	"bytes"
	"crypto/sha1"
	"encoding/binary"
	"os"
	"path"
	"sort"
	"strings"
	"unicode/utf16"

	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
)

// KeyStore writes a Java key store (JKS, version 2) of trusted certificates by
// alias, with the integrity digest for Java's usual password: SHA-1 over the
// password in UTF-16, a fixed phrase and the content (JavaKeyStore.java of
// OpenJDK).
func KeyStore(certs map[string][]byte) []byte {
	var b bytes.Buffer
	u32 := func(n int) { binary.Write(&b, binary.BigEndian, uint32(n)) }
	text := func(s string) {
		binary.Write(&b, binary.BigEndian, uint16(len(s)))
		b.WriteString(s)
	}
	u32(0xfeedfeed)
	u32(2)
	u32(len(certs))
	aliases := make([]string, 0, len(certs))
	for a := range certs {
		aliases = append(aliases, a)
	}
	sort.Strings(aliases)
	for _, a := range aliases {
		u32(2) // a trusted certificate
		text(a)
		binary.Write(&b, binary.BigEndian, int64(0))
		text("X.509")
		u32(len(certs[a]))
		b.Write(certs[a])
	}
	h := sha1.New()
	binary.Write(h, binary.BigEndian, utf16.Encode([]rune("changeit")))
	h.Write([]byte("Mighty Aphrodite"))
	h.Write(b.Bytes())
	return h.Sum(b.Bytes())
}

// javaHook does what the hook of ca-certificates-java and its trigger do: '+'
// adds or replaces the entry that is named after the link, '-' takes it out,
// and nothing else ever leaves the store. It writes in place, as keytool does.
func (f *Fake) javaHook(c host.Cmd) (host.Result, error) {
	if f.JavaBroken {
		return host.Result{Code: 1, Stderr: []byte("the key store's password is another one")}, nil
	}
	data, err := f.ReadFile(fakeJava, 1<<24)
	if err != nil {
		return host.Result{Code: 1, Stderr: []byte(err.Error())}, nil
	}
	certs := map[string][]byte{}
	blocks, _ := root.Scan(data)
	for _, b := range blocks {
		certs[b.Alias] = b.DER
	}
	for line := range strings.Lines(string(c.Stdin)) {
		line = strings.TrimSpace(line)
		if len(line) < 2 {
			continue
		}
		alias := "debian:" + strings.ToLower(path.Base(line[1:]))
		if line[0] == '-' {
			delete(certs, alias)
			continue
		}
		text, err := f.ReadFile(line[1:], 1<<20)
		if err != nil {
			continue
		}
		if found, _ := root.Scan(text); len(found) > 0 {
			certs[alias] = found[0].DER
		}
	}
	if err := f.step("keytool", fakeJava); err != nil {
		return host.Result{}, err
	}
	return host.Result{}, os.WriteFile(f.Real(fakeJava), KeyStore(certs), 0o644)
}
