//go:build linux

package native

import (
	"os"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/trusttest"
)

const localDir = "/usr/local/share/ca-certificates/"

// TestRealBatch places three roots with one refresh, withdraws them with
// another, and asks the programs of this machine each time.
func TestRealBatch(t *testing.T) {
	if !private(t) {
		return
	}
	r := realStore(t)
	vendors := r.inBundle()
	r.want(vendors)
	var as []trusttest.Authority
	var batch, back []trust.Change
	var roots []trust.Root
	for range 3 { // of one subject: the hardest case for lookups by hash
		a := trusttest.NewAuthority(t, "Harbour Root")
		as, roots = append(as, a), append(roots, a.Root())
		batch = append(batch, trusttest.Change(trust.Place, a.Root()))
		back = append(back, trusttest.Change(trust.Withdraw, trust.Root{Fingerprint: a.Root().Fingerprint}))
	}
	apply(t, r.d, batch...)
	if r.runs != 1 {
		t.Errorf("%d refreshes for one batch", r.runs)
	}
	r.state(trust.Placed, roots...)
	r.want(vendors.with(roots...))
	for _, a := range as {
		r.accepts(a, true)
	}
	r.settled()
	apply(t, r.d, back[0])
	r.accepts(as[0], false)
	r.accepts(as[1], true)
	r.accepts(as[2], true)
	apply(t, r.d, back...)
	r.state(trust.Absent, roots...)
	r.want(vendors)
	r.accepts(as[2], false)
	r.settled()
}

// TestRealBadNeighbours has files beside ours that ruin the bundle when the
// platform's tool swallows them (measured: exit 0, and no program that loads
// the bundle verifies anything any more).
func TestRealBadNeighbours(t *testing.T) {
	if !private(t) {
		return
	}
	r := realStore(t)
	vendors := r.inBundle()
	good, ours := trusttest.NewAuthority(t, "Harbour Neighbour"), trusttest.NewAuthority(t, "Harbour Root")
	text := string(good.PEM())
	for name, content := range map[string]string{
		"a-truncated.crt": text[:len(text)/2],
		"b-base64.crt":    "-----BEGIN CERTIFICATE-----\n!!!!\n-----END CERTIFICATE-----\n",
		"c-page.crt":      "<!DOCTYPE html><html><body>Sign in</body></html>\n",
		"d-empty.crt":     "",
		"e-half-good.crt": text + "-----BEGIN CERTIFICATE-----\nMIIB\n",
		"f-no-end.crt":    text[:len(text)-1],
		"g-two words.crt": text,
	} {
		if err := os.WriteFile(localDir+name, []byte(content), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	r.fault("truncated")
	r.fault("bad-base64")
	r.fault("web-page")
	r.fault("empty")
	trial, err := r.d.Try(t.Context(), []trust.Change{trusttest.Change(trust.Place, ours.Root())})
	if err != nil {
		t.Fatal(err)
	}
	if len(trial.Leaving()) > 0 || len(trial.Notes()) < 5 {
		t.Errorf("leaving %d, notes %q", len(trial.Leaving()), trial.Notes())
	}
	r.d.Apply(t.Context(), trial)
	r.state(trust.Placed, ours.Root())
	r.accepts(ours, true)
	want := vendors.with(ours.Root(), good.Root())
	for _, name := range []string{"openssl", "python3"} {
		if got := readers[name](r); len(got) != len(want) {
			t.Errorf("%s reads %d roots of %d", name, len(got), len(want))
		}
	}
	if n := loaded(r); n != len(want) {
		t.Errorf("GnuTLS loads %d roots of %d", n, len(want))
	}
}

// TestRealUnreadable has a copy by hand that was made with umask 077.
func TestRealUnreadable(t *testing.T) {
	if !private(t) {
		return
	}
	r := realStore(t)
	a := trusttest.NewAuthority(t, "Harbour Root")
	if err := os.MkdirAll(localDir+"corp", 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(localDir+"corp/harbour.crt", a.PEM(), 0o600); err != nil {
		t.Fatal(err)
	}
	r.sh("root", "update-ca-certificates")
	r.sh("root", "chmod 0600 /etc/ssl/certs/ca-certificates.crt; chmod 0700 /usr/local/share/ca-certificates")
	r.state(trust.Unreadable, a.Root())
	r.accepts(a, false)
	out := apply(t, r.d, trusttest.Change(trust.Place, a.Root()))
	if len(out[0].Notes) < 4 {
		t.Errorf("what was mended is not told: %q", out[0].Notes)
	}
	r.state(trust.Placed, a.Root())
	r.accepts(a, true)
	for name, want := range map[string]os.FileMode{localDir + "corp/harbour.crt": 0o644, localDir + "corp": 0o755, localDir: 0o755} {
		if fi, err := os.Stat(name); err != nil || fi.Mode().Perm() != want {
			t.Errorf("%s: %v, %v", name, fi.Mode(), err)
		}
	}
	if _, err := os.Stat(localDir + ownName(a.Root().Fingerprint) + ".crt"); err == nil {
		t.Error("a second copy was made beside a readable one")
	}
}

// TestRealLingering withdraws a root whose file somebody has removed already:
// the platform leaves it in Java's store and in dangling links for ever.
func TestRealLingering(t *testing.T) {
	if !private(t) {
		return
	}
	r := realStore(t)
	vendors := r.inBundle()
	a := trusttest.NewAuthority(t, "Harbour Root")
	if err := os.WriteFile(localDir+"Harbour Old.crt", a.PEM(), 0o644); err != nil {
		t.Fatal(err)
	}
	r.sh("root", "update-ca-certificates")
	r.want(vendors.with(a.Root()))
	if err := os.Remove(localDir + "Harbour Old.crt"); err != nil {
		t.Fatal(err)
	}
	s := observe(t, r.d)
	dangling := 0
	for _, l := range s.Entries[a.Root().Fingerprint].Locations {
		if l.Dangling {
			dangling++
		}
	}
	if dangling != 2 {
		t.Errorf("%d dangling names are told, not 2", dangling)
	}
	r.sh("root", "update-ca-certificates")
	r.state(trust.Incomplete, a.Root())
	apply(t, r.d, trusttest.Change(trust.Withdraw, trust.Root{Fingerprint: a.Root().Fingerprint}))
	r.state(trust.Absent, a.Root())
	r.want(vendors)
	if out := r.sh("root", "find -L /etc/ssl/certs -type l"); out != "" {
		t.Errorf("dangling links stay: %s", out)
	}
}

// TestRealTornBuild has a temporary file of a refresh that died: the next
// plain refresh would append to it and ruin the bundle.
func TestRealTornBuild(t *testing.T) {
	if !private(t) {
		return
	}
	r := realStore(t)
	vendors := r.inBundle()
	torn := "/etc/ssl/certs/ca-certificates.crt.new"
	if err := os.WriteFile(torn, []byte("-----BEGIN CERTIFICATE-----\nMIIB"), 0o644); err != nil {
		t.Fatal(err)
	}
	old := time.Now().Add(-time.Minute)
	if err := os.Chtimes(torn, old, old); err != nil {
		t.Fatal(err)
	}
	r.fault("half-made-bundle")
	a := trusttest.NewAuthority(t, "Harbour Root")
	apply(t, r.d, trusttest.Change(trust.Place, a.Root()))
	r.settled()
	r.want(vendors.with(a.Root()))
}

// TestRealMissingConf has the list of the vendor's roots gone: a refresh with
// one local root makes a bundle of that root alone.
func TestRealMissingConf(t *testing.T) {
	if !private(t) {
		return
	}
	r := realStore(t)
	for how, code := range map[string]string{
		"rm /etc/ca-certificates.conf":                "missing-conf",
		"> /etc/ca-certificates.conf":                 "empty-conf",
		"sed -i 's/$/\\r/' /etc/ca-certificates.conf": "conf-finds-nothing",
	} {
		r.sh("root", "cp -a /etc/ca-certificates.conf /etc/kept; "+how)
		r.fault(code)
		trial, err := r.d.Try(t.Context(), []trust.Change{trusttest.Change(trust.Place, trusttest.NewAuthority(t, "Harbour Root").Root())})
		if err != nil {
			t.Fatal(err)
		}
		unexplained := 0
		for _, l := range trial.Leaving() {
			if l.Explained == "" {
				unexplained++
			}
		}
		if unexplained < 100 {
			t.Errorf("%s: %d roots would leave without a reason", how, unexplained)
		}
		if err := trial.Discard(t.Context()); err != nil {
			t.Error(err)
		}
		r.sh("root", "mv /etc/kept /etc/ca-certificates.conf")
	}
}

// TestRealDeadBeforeRehash has a run of the platform's tool that died between
// the links and their hashes: every later run says '0 added' and leaves the
// root out of the lookups and of Java's store.
func TestRealDeadBeforeRehash(t *testing.T) {
	if !private(t) {
		return
	}
	r := realStore(t)
	vendors := r.inBundle()
	a := trusttest.NewAuthority(t, "Harbour Root")
	if err := os.WriteFile(localDir+"harbour.crt", a.PEM(), 0o644); err != nil {
		t.Fatal(err)
	}
	r.sh("root", "ln -s "+localDir+"harbour.crt /etc/ssl/certs/harbour.pem; update-ca-certificates")
	r.state(trust.Incomplete, a.Root())
	apply(t, r.d, trusttest.Change(trust.Place, a.Root()))
	r.state(trust.Placed, a.Root())
	r.want(vendors.with(a.Root()))
	r.accepts(a, true)
}

// TestRealForeignRefresh has somebody else refresh the store between a trial
// and its apply, and while it is applied.
func TestRealForeignRefresh(t *testing.T) {
	if !private(t) {
		return
	}
	r := realStore(t)
	vendors := r.inBundle()
	a, other := trusttest.NewAuthority(t, "Harbour Root"), trusttest.NewAuthority(t, "Harbour Other")
	trial, err := r.d.Try(t.Context(), []trust.Change{trusttest.Change(trust.Place, a.Root())})
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(localDir+"other.crt", other.PEM(), 0o644); err != nil {
		t.Fatal(err)
	}
	r.sh("root", "update-ca-certificates")
	done := make(chan struct{})
	go func() { r.try("root", "update-ca-certificates --fresh"); close(done) }()
	for _, o := range r.d.Apply(t.Context(), trial) {
		if o.Status != trust.Done {
			t.Errorf("%v, %q", o.Err, o.Notes)
		}
	}
	<-done
	r.state(trust.Placed, a.Root(), other.Root())
	r.want(vendors.with(a.Root(), other.Root()))
}

// TestRealBlock refuses one of the vendor's roots and takes it back.
func TestRealBlock(t *testing.T) {
	if !private(t) {
		return
	}
	r := realStore(t)
	vendors := r.inBundle()
	var victim trust.Root
	for fp, e := range observe(t, r.d).Entries {
		if e.Locations[0].Origin == trust.FromPackage && (victim.DER == nil || e.Locations[0].Path < victim.Fingerprint.String()) {
			victim = trust.Root{Fingerprint: fp, DER: e.DER}
			break
		}
	}
	conf := r.sh("root", "cat /etc/ca-certificates.conf")
	apply(t, r.d, trusttest.Change(trust.Block, victim))
	r.state(trust.Refused, victim)
	r.want(vendors.without(victim))
	r.settled()
	apply(t, r.d, trusttest.Change(trust.Unblock, victim))
	r.state(trust.Placed, victim)
	r.want(vendors)
	r.settled()
	if now := r.sh("root", "cat /etc/ca-certificates.conf"); now != conf {
		t.Error("the list is not as it was before")
	}
}

// TestRealFullDisk has no room for a new bundle, and then a store that cannot
// be written at all.
func TestRealFullDisk(t *testing.T) {
	if !private(t) {
		return
	}
	r := realStore(t)
	vendors := r.inBundle()
	a := trusttest.NewAuthority(t, "Harbour Root")
	place := []trust.Change{trusttest.Change(trust.Place, a.Root())}
	r.sh("root", `d=$(mktemp -d) && cp -a /etc/ssl/certs/. "$d" && mount -t tmpfs -o size=4m,mode=0755 tmpfs /etc/ssl/certs &&
cp -a "$d/." /etc/ssl/certs && rm -r "$d" && chmod 0755 /etc/ssl/certs &&
head -c $((1024 * ($(df -k --output=avail /etc/ssl/certs | tail -1) - 100))) /dev/zero > /etc/ssl/certs/fill`)
	for _, how := range []string{"full", "read-only"} {
		if how == "read-only" {
			r.sh("root", "mount -o remount,ro /etc/ssl/certs")
		}
		trial, err := r.d.Try(t.Context(), place)
		if err != nil {
			t.Fatal(err)
		}
		if o := r.d.Apply(t.Context(), trial)[0]; o.Status != trust.Failed || o.Err == nil {
			t.Errorf("%s: %s", how, o.Status)
		}
		r.want(vendors)
		if out := r.sh("root", "ls -A /etc/ssl/certs | grep tmp || true"); out != "" {
			t.Errorf("%s: left over: %s", how, out)
		}
	}
	r.sh("root", "mount -o remount,rw /etc/ssl/certs; rm /etc/ssl/certs/fill")
	apply(t, r.d, place...)
	r.want(vendors.with(a.Root()))
}
