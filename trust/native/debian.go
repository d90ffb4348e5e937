package native

import (
	"context"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
)

// Names of the parts of a Debian store.
const (
	partSource = "source"
	partBundle = "bundle"
	partLinks  = "links"
	partJava   = "java"
)

// Debian is the machine store of Debian and what descends from it, as
// update-ca-certificates(8) compiles it. The fields are the places and limits
// of the real system; tests set others.
type Debian struct {
	Host *host.Host

	Conf        string // which files of Vendor are selected
	Vendor      string // what packages bring
	Local       string // what this machine adds
	Certs       string // the compiled store: bundle and links
	Bundle      string // name of the bundle within Certs
	Java        string // Java's key store
	JavaConf    string // where the administrator may keep Java's store to himself
	JRE         string // a Java runtime, without which its hook does nothing
	JavaHook    string // name of Java's hook within Hooks
	JavaKept    string // a copy of Java's store while its hook is at work
	Hooks       string // what the platform runs after a refresh
	Packages    string // dpkg's lists of files
	Dpkg        string // finishes a package whose hook was ended
	JavaPackage string // the package of Java's hook
	Tool        string // the platform's refresh
	Stage       string // where a store is tried before it goes live

	BuildLimit time.Duration // how long one staged refresh may take
	HookLimit  time.Duration // how long one hook is waited for
	QuietLimit time.Duration // how long somebody else's refresh or dpkg is waited for
	Now        func() time.Time
}

// Stage is where a store is tried before it goes live. Whatever lies there is
// of no use to a later run.
const Stage = "/var/lib/anchorhold/stage"

// NewDebian returns the store with the places of the real system.
func NewDebian(h *host.Host) *Debian {
	return &Debian{
		Host:        h,
		Conf:        "/etc/ca-certificates.conf",
		Vendor:      "/usr/share/ca-certificates",
		Local:       "/usr/local/share/ca-certificates",
		Certs:       "/etc/ssl/certs",
		Bundle:      "ca-certificates.crt",
		Java:        "/etc/ssl/certs/java/cacerts",
		JavaConf:    "/etc/default/cacerts",
		JRE:         "/usr/bin/java",
		JavaHook:    "jks-keystore",
		Hooks:       "/etc/ca-certificates/update.d",
		JavaKept:    "/var/lib/anchorhold/java-before",
		Packages:    "/var/lib/dpkg/info",
		Dpkg:        "/usr/bin/dpkg",
		JavaPackage: "ca-certificates-java",
		Tool:        "/usr/sbin/update-ca-certificates",
		Stage:       Stage,
		BuildLimit:  time.Minute,
		HookLimit:   2 * time.Minute,
		QuietLimit:  30 * time.Second,
		Now:         time.Now,
	}
}

// ID implements [trust.Store].
func (d *Debian) ID() trust.StoreID { return trust.Machine }

// Capabilities implements [trust.Store].
func (d *Debian) Capabilities() trust.Capabilities {
	return trust.Capabilities{
		Family: "debian",
		Ops:    []trust.Op{trust.Place, trust.Withdraw, trust.Block, trust.Unblock},
		Staged: true,
	}
}

// Observe implements [trust.Store]. It runs no tool.
func (d *Debian) Observe(ctx context.Context) (trust.Snapshot, error) {
	s, err := d.read(ctx)
	if err != nil {
		return trust.Snapshot{}, err
	}
	return s.snapshot(), nil
}
