package main

import (
	"encoding/pem"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/reader"
	"anchorhold.test/anchorhold/trust/root"
)

// What vetting says of roots that are roots: C15, C17, C18, C20 and C22.

func c15Store(t *testing.T, dir string) {
	fps := prints(t, dir)
	file := filepath.Join(dir, "bundle.pem")
	v := vetted(t, 0, "--store", file)[0]
	if len(v.Certs) != 3 {
		t.Fatalf("%d entries", len(v.Certs))
	}
	for i, want := range []string{fps[0], fps[2], fps[1]} {
		c := v.Certs[i]
		if c.SHA256.String() != want || (len(c.Findings) > 0) != (i == 1) {
			t.Errorf("entry %d is %s with %+v", i, c.SHA256, c.Findings)
		}
	}
	says(t, must(t, 0, "/", "vet", "--store", file).out, "negative serial number")
	for _, fp := range fps[:2] { // what it costs the others: a chain by either is built
		if got := judged15(t, file, fp); !got.Holds {
			t.Errorf("%s: %q", fp, got.Failures)
		}
	}
}

// judged15 has a reader look for a root in a bundle.
func judged15(t *testing.T, file, fp string) trust.Proof {
	t.Helper()
	for rest := []byte(read(t, file)); ; {
		var b *pem.Block
		if b, rest = pem.Decode(rest); b == nil {
			t.Fatalf("%s holds no %s", file, fp)
		}
		if root.Of(b.Bytes).String() == fp {
			c := trust.Claim{Store: trust.Machine, Root: trust.Root{Fingerprint: root.Of(b.Bytes), DER: b.Bytes}, At: time.Now(),
				Parts: []trust.Part{{Name: "bundle", Kind: trust.Compiled, Path: file, Present: true}}}
			return reader.Try("this test", []trust.Claim{c})[0]
		}
	}
}

// refusedFor wants a root refused at vetting and at signing for one finding,
// which it returns.
func refusedFor(t *testing.T, file, code string) root.Finding {
	t.Helper()
	v := vetted(t, exitWrong, file)[0]
	f, found := v.Certs[0].finding(code)
	if !found || f.Severity != root.Refuse {
		t.Fatalf("%s: %+v", file, v.Certs[0].Findings)
	}
	o := office{t: t, dir: t.TempDir()}
	must(t, 0, o.dir, "keys", "new", "--policy", "harbour", "--no-passphrase")
	says(t, o.refuses(entry{file: file, sha: v.Certs[0].SHA256.String(), standing: "trusted"}), f.Reason)
	return f
}

// acceptedWith wants a root accepted at vetting and at signing, with one
// finding, which it returns.
func acceptedWith(t *testing.T, file, code string, severity root.Severity) root.Finding {
	t.Helper()
	v := vetted(t, 0, file)[0]
	f, found := v.Certs[0].finding(code)
	if !found || f.Severity != severity {
		t.Fatalf("%s: %+v", file, v.Certs[0].Findings)
	}
	o := office{t: t, dir: t.TempDir()}
	must(t, 0, o.dir, "keys", "new", "--policy", "harbour", "--no-passphrase")
	draft := o.draft(entry{file: file, sha: v.Certs[0].SHA256.String(), standing: "trusted"})
	says(t, must(t, 0, o.dir, "sign", "--key", "harbour.key", draft).out, f.Reason)
	return f
}

func c15Negative(t *testing.T, dir string) {
	f := refusedFor(t, filepath.Join(dir, "negative-serial.pem"), "serial-negative")
	says(t, f.Source, "RFC 5280 4.1.2.2")
	says(t, f.Reason, "Go programs cannot read it", "OpenSSL, GnuTLS, NSS and Java do")
}

func c15Zero(t *testing.T, dir string) {
	says(t, acceptedWith(t, filepath.Join(dir, "serial-zero.pem"), "serial-zero", root.Note).Reason, "every library reads")
}

func c17Short(t *testing.T, dir string) {
	says(t, refusedFor(t, filepath.Join(dir, "rsa-1024.pem"), "rsa-short").Reason, "1024", "the floor is 2048")
}

func c17NotBroken(t *testing.T, dir string) {
	file := filepath.Join(dir, "sha1-selfsigned.pem")
	never(t, must(t, 0, "/", "vet", file).out, "broken")
	if _, found := vetted(t, 0, file)[0].Certs[0].finding("broken-self-signature"); found {
		t.Error("its signature is called broken")
	}
}

func c17Proves(t *testing.T, dir string) {
	f := acceptedWith(t, filepath.Join(dir, "sha1-selfsigned.pem"), "sha1-self-signature", root.Note)
	says(t, f.Reason, "SHA-1", "proves nothing")
	says(t, f.Source, "RFC 5280 6.1")
}

func c17Long(t *testing.T, dir string) {
	within(t, 2*time.Second, func() {
		f := acceptedWith(t, filepath.Join(dir, "rsa-9216.pem"), "rsa-large", root.Warn)
		says(t, f.Reason, "Go programs refuse a server that sends a key over 8192 bits")
	})
}

func c18Refused(t *testing.T, dir string) {
	says(t, refusedFor(t, filepath.Join(dir, "expired.pem"), "expired").Reason, "2022-01-01")
}

// c18Stays has somebody place the expired root, with a policy that trusts it,
// and with one that does not know it.
func c18Stays(t *testing.T, dir string) {
	fp, o := prints(t, dir)[0], newOffice(t)
	file := filepath.Join(dir, "expired.pem")
	trusted := wants(t, file, policy.Trusted)
	write(t, inForce, string(o.unvetted(o.document(time.Now(), trusted))), 0o644)
	p := result(t, exitWrong, "enforce").placement(t, fp)
	p.expect(t, "absent", false, "")
	says(t, strings.Join(p.Reasons, "\n"), "expired on 2022-01-01")

	write(t, filepath.Join(sourceDir, "harbour-2012.crt"), read(t, file), 0o644)
	tool(t, platform)
	for range 2 {
		r := result(t, exitWrong, "enforce")
		p := r.placement(t, fp)
		p.expect(t, "placed", false, agent.ByHand)
		says(t, strings.Join(p.Reasons, "\n"), "expired on 2022-01-01", "stays")
		never(t, strings.Join(p.Reasons, "\n"), "not yet valid")
		if len(r.Changes) > 0 {
			t.Errorf("it did %+v", r.Changes)
		}
	}
	write(t, inForce, string(o.unvetted(o.document(time.Now()))), 0o644)
	result(t, 0, "enforce")
	if times(bundle(t), fp) != 1 {
		t.Error("a policy that does not name it took it out")
	}
	says(t, must(t, 0, "/", "vet", "--store", bundleFile).out, "it expired on 2022-01-01")
}

func c18Soon(t *testing.T, dir string) {
	fp, o := prints(t, dir)[1], newOffice(t)
	file := filepath.Join(dir, "ends-soon.pem")
	_, ends, found := strings.Cut(read(t, filepath.Join(dir, "EXPECT.txt")), fp+", ends ")
	if !found {
		t.Fatal("EXPECT.txt tells no date")
	}
	ends = ends[:len("2006-01-02")]
	says(t, must(t, 0, "/", "vet", file).out, ends)
	says(t, o.sign(entry{file: file, sha: fp, standing: "trusted"}).out, "warn", "it ends on "+ends)
	for _, command := range []string{"enforce", "verify"} {
		p := result(t, 0, command).placement(t, fp)
		p.expect(t, "placed", true, agent.Us)
		says(t, strings.Join(p.Notes, "\n"), ends)
		says(t, must(t, 0, "/", command).out, ends)
	}
}

func c18NoHold(t *testing.T, dir string) {
	waits(t, "probing services: the verdict 'root expired'")
	fp, o := prints(t, dir)[0], newOffice(t)
	file := filepath.Join(dir, "expired.pem")
	write(t, filepath.Join(sourceDir, "harbour-2012.crt"), read(t, file), 0o644)
	tool(t, platform)
	o.sign(entry{file: file, sha: fp, standing: "retired"})
	r := result(t, 0, "enforce")
	r.placement(t, fp).expect(t, "absent", true, "")
	if len(r.Held) > 0 {
		t.Errorf("held: %+v", r.Held)
	}
	known(t, fp, file, false)
	says(t, must(t, 0, "/", "history").out, "expired and verifies nothing")
}

var c20Names = []string{"old", "curr", "new", "cross"}

func c20Four(t *testing.T, dir string) {
	v := vetted(t, exitWrong, filepath.Join(dir, "old.pem"), filepath.Join(dir, "curr.pem"), filepath.Join(dir, "new.pem"), filepath.Join(dir, "cross.pem"))
	var subjects []string
	for _, f := range v {
		subjects = append(subjects, f.Certs[0].Subject)
	}
	if len(slices.Compact(subjects)) != 1 {
		t.Errorf("several subjects: %q", subjects)
	}
	if _, found := v[0].Certs[0].finding("expired"); !found {
		t.Error("old has not expired")
	}
	all := filepath.Join(t.TempDir(), "all.pem")
	write(t, all, read(t, filepath.Join(dir, "old.pem"))+read(t, filepath.Join(dir, "curr.pem"))+read(t, filepath.Join(dir, "new.pem")), 0o644)
	family := vetted(t, exitWrong, all)[0].Family
	if len(family) < 2 {
		t.Errorf("their kinship: %+v", family)
	}
	for _, k := range family {
		t.Logf("%s and %s: %s", k.A.Short(), k.B.Short(), k.Text)
	}
}

func c20Apart(t *testing.T, dir string) {
	for i, fp := range prints(t, dir) {
		if got := vetted(t, map[bool]int{true: 0, false: exitWrong}[c20Names[i] == "curr" || c20Names[i] == "new"], filepath.Join(dir, c20Names[i]+".pem"))[0].Certs[0].SHA256.String(); got != fp {
			t.Errorf("%s is %s", c20Names[i], got)
		}
	}
}

// c20Order reads every store with the reader that proves placements, and with
// OpenSSL.
func c20Order(t *testing.T, dir string) {
	stores, err := filepath.Glob(filepath.Join(dir, "stores", "*.pem"))
	if err != nil || len(stores) != 12 {
		t.Fatalf("%d stores, %v", len(stores), err)
	}
	for _, store := range stores {
		names := strings.Split(strings.TrimSuffix(filepath.Base(store), ".pem"), "-")
		for server, name := range map[string]string{"crane": "curr", "winch": "new"} {
			leaf := filepath.Join(dir, "server-"+server+".pem")
			r := wants(t, filepath.Join(dir, name+".pem"), policy.Trusted)
			b, _ := pem.Decode([]byte(read(t, leaf)))
			got := reader.Try("this test", []trust.Claim{{Store: trust.Machine, Root: trust.Root{Fingerprint: r.SHA256, DER: r.DER}, At: time.Now(),
				Sample: [][]byte{b.Bytes}, Parts: []trust.Part{{Name: "bundle", Kind: trust.Compiled, Path: store, Present: true}}}})[0]
			want := slices.Contains(names, name)
			if got.Holds != want {
				t.Errorf("%s with %s: %v, %q", server, names, got.Holds, got.Failures)
			}
			if call(t, command("openssl", "verify", "-no-CApath", "-no-CAstore", "-CAfile", store, leaf)).code == 0 != want {
				t.Errorf("OpenSSL: %s with %s", server, names)
			}
		}
	}
}

func c20Beside(t *testing.T, dir string) {
	fps, o := prints(t, dir), newOffice(t)
	file := func(name string) string { return filepath.Join(dir, name+".pem") }
	write(t, filepath.Join(sourceDir, "harbour-2012.crt"), read(t, file("old")), 0o644)
	tool(t, platform)
	curr, fresh := entry{file: file("curr"), sha: fps[1], standing: "trusted"}, entry{file: file("new"), sha: fps[2], standing: "trusted"}
	step := func(entries []entry, old, late int) {
		t.Helper()
		o.sign(entries...)
		result(t, 0, "enforce").placement(t, fps[1]).expect(t, "placed", true, agent.Us)
		for i, n := range []int{old, 1, late} {
			if got := times(bundle(t), fps[i]); got != n {
				t.Errorf("%s stands %d times in the bundle, not %d", c20Names[i], got, n)
			}
			if list := java(t); list != nil && times(list, fps[i]) != n {
				t.Errorf("%s stands %d times in Java's store, not %d", c20Names[i], times(list, fps[i]), n)
			}
		}
		for _, part := range []string{bundleFile, linkFolder} {
			if !openssl(t, part, open(t, read(t, file("server-crane")))) || openssl(t, part, open(t, read(t, file("server-winch")))) != (late == 1) {
				t.Errorf("with %s the servers do not verify as they should", part)
			}
		}
		if links, err := filepath.Glob(filepath.Join(linkFolder, subjectHash(t, file("curr"))+".*")); err != nil || len(links) != old+1+late {
			t.Errorf("%d lookup names, want %d (%v)", len(links), old+1+late, err)
		}
	}
	step([]entry{curr}, 1, 0)
	step([]entry{curr, fresh}, 1, 1)
	step([]entry{curr, fresh, {file: file("old"), sha: fps[0], standing: "retired"}}, 0, 1)
}

// subjectHash is the name under which OpenSSL looks a certificate up.
func subjectHash(t *testing.T, file string) string {
	t.Helper()
	return strings.TrimSpace(tool(t, "openssl", "x509", "-noout", "-subject_hash", "-in", file))
}

func c20Cross(t *testing.T, dir string) {
	file := filepath.Join(dir, "cross.pem")
	says(t, must(t, exitWrong, "/", "vet", file).out, "self-issued but not self-signed")
	o := office{t: t, dir: t.TempDir()}
	must(t, 0, o.dir, "keys", "new", "--policy", "harbour", "--no-passphrase")
	says(t, o.refuses(entry{file: file, sha: prints(t, dir)[3], standing: "trusted"}), "self-issued but not self-signed")
}

func c22Words(t *testing.T, dir string) {
	says(t, must(t, 0, "/", "vet", filepath.Join(dir, "dot.pem")).out, "only DNS names below harbour.test, not harbour.test itself")
	says(t, must(t, 0, "/", "vet", filepath.Join(dir, "plain.pem")).out, "only the DNS name harbour.test and all below it")
}

// c22Place puts both roots into force and returns what the host says.
func c22Place(t *testing.T, dir string) jsonResult {
	t.Helper()
	o := newOffice(t)
	var all []entry
	for _, name := range []string{"dot.pem", "plain.pem"} {
		file := filepath.Join(dir, name)
		all = append(all, entry{label: name, file: file, sha: blocksOf(t, read(t, file))[0], standing: "trusted"})
	}
	o.sign(all...)
	return result(t, 0, "enforce")
}

func c22Verdicts(t *testing.T, dir string) {
	waits(t, "probing services: the verdict 'outside the name constraints of root ...'")
	c22Place(t, dir)
	n := 0
	for line := range strings.Lines(read(t, filepath.Join(dir, "verdicts.txt"))) {
		name, verdict, _ := strings.Cut(strings.TrimSpace(line), " ")
		cert, want := open(t, read(t, filepath.Join(dir, name))), verdict == "verified"
		if openssl(t, bundleFile, cert) != want || openssl(t, linkFolder, cert) != want {
			t.Errorf("OpenSSL: %s is not %s", name, verdict)
		}
		if gnutls(t, bundleFile, cert) != want {
			t.Errorf("GnuTLS: %s is not %s", name, verdict)
		}
		err := byGo(t, bundleFile, cert)
		if (err == nil) != want || err != nil && !strings.Contains(err.Error(), "constraint") {
			t.Errorf("Go: %s is not %s: %v", name, verdict, err)
		}
		n++
	}
	if n != 6 {
		t.Errorf("%d verdicts", n)
	}
}

func c22Accepted(t *testing.T, dir string) {
	r := c22Place(t, dir)
	if len(r.Placements) != 2 {
		t.Fatalf("%d placements", len(r.Placements))
	}
	for _, p := range r.Placements {
		p.expect(t, "placed", true, agent.Us)
		says(t, strings.Join(p.Notes, "\n"), "Java does not enforce constraints that stand on a root")
	}
	says(t, must(t, 0, "/", "verify").out, "Java does not enforce constraints that stand on a root")
}
