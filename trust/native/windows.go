package native

import (
	"context"
	"time"

	"anchorhold.test/anchorhold/trust"
)

// Where certificates lie in the registry, each store in a key of its own name
// (learn.microsoft.com, "System Store Locations").
const (
	winMachine    = `HKEY_LOCAL_MACHINE\Software\Microsoft\SystemCertificates`
	winPolicies   = `HKEY_LOCAL_MACHINE\Software\Policies\Microsoft\SystemCertificates`
	winEnterprise = `HKEY_LOCAL_MACHINE\Software\Microsoft\EnterpriseCertificates`
	winServices   = `HKEY_LOCAL_MACHINE\Software\Microsoft\Cryptography\Services`
	winProfiles   = `HKEY_LOCAL_MACHINE\Software\Microsoft\Windows NT\CurrentVersion\ProfileList`
	winUsers      = `HKEY_USERS`
	winOfUser     = `Software\Microsoft\SystemCertificates`
)

// Stores of a location.
const (
	winRoot       = "Root"
	winDisallowed = "Disallowed"
)

// winElsewhere are stores of the machine where a root has no effect as one:
// wizards put it there.
var winElsewhere = []string{"CA", "My", "Trust", "TrustedPeople", "TrustedPublisher", "AddressBook"}

// winRoots are the physical stores that programs see as one, LocalMachine\Root.
// Only the first is written to: what a directory or the vendor puts into the
// others comes back by itself.
var winRoots = []struct {
	home, store string
	origin      trust.Origin
	whose       string
	who         string // can take it out
}{
	{winMachine, winRoot, trust.FromLocal, "", ""},
	{winPolicies, winRoot, trust.FromDirectory, "", "whoever runs the domain's Group Policy"},
	{winEnterprise, winRoot, trust.FromDirectory, "", "an administrator of the directory's public key services"},
	{winMachine, "AuthRoot", trust.FromPackage, "Windows' own list of roots", "nobody for good: Windows fetches it again; have it distrusted"},
}

// winKey is one certificate's key in the registry: its name, and its value Blob
// (nil where there is none).
type winKey struct {
	Name string
	Blob []byte
}

// winAPI is what of Windows the store needs. The real one is system calls; the
// one of the tests does what was measured, traps included.
type winAPI interface {
	// Keys reads the keys below PATH\Certificates, and Subkeys the names below
	// a path. The error is fs.ErrNotExist where there is no such key.
	Keys(path string) ([]winKey, error)
	Subkeys(path string) ([]string, error)
	// Drop takes one certificate's key away.
	Drop(path, name string) error
	// View returns what programs see of a store of the machine: all physical
	// ones as one, by a handle that was opened for it.
	View(store string) ([][]byte, error)
	// Open opens the machine's own physical store to write, never one that
	// merges others. One that is missing is made where create says so.
	Open(store string, create bool) (winStore, error)
	// Lock keeps other writers of this program out, on the whole machine.
	Lock(ctx context.Context, limit time.Duration) (release func(), err error)
}

// winStore is an open physical store: a copy that was taken when it was opened.
// What is not committed may be lost.
type winStore interface {
	Add(der []byte, name string) error
	Delete(der []byte) (found bool, err error) // one copy of exactly these bytes
	Commit() error
	Close() error
}

// Windows is the machine store of Windows: LocalMachine\Root, with
// LocalMachine\Disallowed for what is to be refused.
type Windows struct {
	api winAPI

	LockLimit time.Duration // how long another writer is waited for
}

// ID implements [trust.Store].
func (w *Windows) ID() trust.StoreID { return trust.Machine }

// Capabilities implements [trust.Store].
func (w *Windows) Capabilities() trust.Capabilities {
	return trust.Capabilities{
		Family: "windows",
		Ops:    []trust.Op{trust.Place, trust.Withdraw, trust.Block, trust.Unblock},
	}
}

func newWindows(api winAPI) *Windows { return &Windows{api: api, LockLimit: 30 * time.Second} }
