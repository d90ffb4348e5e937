package native

import (
	"bytes"
	"context"
	"crypto/sha1" // the platform finds certificates by it
	"errors"
	"fmt"
	"runtime"
	"time"
	"unsafe"

	"golang.org/x/sys/windows"
)

// What golang.org/x/sys/windows lacks.
var (
	crypt32                 = windows.NewLazySystemDLL("crypt32.dll")
	procSetProperty         = crypt32.NewProc("CertSetCertificateContextProperty")
	procControlStore        = crypt32.NewProc("CertControlStore")
	certEncoding            = uint32(windows.X509_ASN_ENCODING | windows.PKCS_7_ASN_ENCODING)
	errNoSuchCert           = windows.Errno(windows.CRYPT_E_NOT_FOUND)
	controlCommit           = uintptr(3) // CERT_STORE_CTRL_COMMIT
	providerRegistry        = uintptr(windows.CERT_STORE_PROV_SYSTEM_REGISTRY_W)
	openExisting     uint32 = windows.CERT_STORE_OPEN_EXISTING_FLAG
)

// Open implements [winAPI]: the provider that knows the registry's own store
// and no other. OPEN_EXISTING, or a misspelt name would make a store (measured).
func (winSystem) Open(store string, create bool) (winStore, error) {
	flags := openExisting
	if create {
		flags = 0
	}
	h, err := openStore(providerRegistry, store, flags)
	if err != nil {
		return nil, err
	}
	return &winHandle{h}, nil
}

type winHandle struct{ h windows.Handle }

// Add implements [winStore]. The caller has seen that these bytes are not there:
// so nothing is looked for, and no twin is taken for it.
func (w *winHandle) Add(der []byte, name string) error {
	if len(der) == 0 {
		return errors.New("no certificate")
	}
	c, err := windows.CertCreateCertificateContext(certEncoding, &der[0], uint32(len(der)))
	if err != nil {
		return err
	}
	defer windows.CertFreeCertificateContext(c)
	if err := setName(c, name); err != nil {
		return err
	}
	return windows.CertAddCertificateContextToStore(w.h, c, windows.CERT_STORE_ADD_ALWAYS, nil)
}

// dataBlob is CRYPT_DATA_BLOB.
type dataBlob struct {
	n uint32
	p *byte
}

func setName(c *windows.CertContext, name string) error {
	text, err := windows.UTF16FromString(name)
	if err != nil {
		return err
	}
	b := &dataBlob{uint32(2 * len(text)), (*byte)(unsafe.Pointer(&text[0]))}
	r, _, err := procSetProperty.Call(uintptr(unsafe.Pointer(c)), propName, 0, uintptr(unsafe.Pointer(b)))
	runtime.KeepAlive(text)
	if r == 0 {
		return fmt.Errorf("cannot name the certificate: %w", err)
	}
	return nil
}

// Delete implements [winStore]. It finds by SHA-1 and compares the bytes: what
// the platform calls existing is another certificate where issuer and serial
// number agree (measured). The delete frees the context, also where it fails.
func (w *winHandle) Delete(der []byte) (bool, error) {
	sum := sha1.Sum(der)
	b := &dataBlob{uint32(len(sum)), &sum[0]}
	var c *windows.CertContext
	var err error
	for {
		c, err = windows.CertFindCertificateInStore(w.h, certEncoding, 0, windows.CERT_FIND_SHA1_HASH, unsafe.Pointer(b), c)
		if errors.Is(err, errNoSuchCert) || err == nil && c == nil {
			return false, nil
		}
		if err != nil {
			return false, err
		}
		if bytes.Equal(encoded(c), der) {
			return true, windows.CertDeleteCertificateFromStore(c)
		}
	}
}

// Commit implements [winStore].
func (w *winHandle) Commit() error {
	if r, _, err := procControlStore.Call(uintptr(w.h), 0, controlCommit, 0); r == 0 {
		return err
	}
	return nil
}

// Close implements [winStore].
func (w *winHandle) Close() error { return windows.CertCloseStore(w.h, 0) }

// lockMutex takes a named lock of the whole machine. Only administrators may
// open it: anybody else could keep us out for ever. It belongs to a thread, so
// the goroutine stays on its own until the release.
func lockMutex(ctx context.Context, name string, limit time.Duration) (func(), error) {
	wide, err := windows.UTF16PtrFromString(name)
	if err != nil {
		return nil, err
	}
	sd, err := windows.SecurityDescriptorFromString("D:P(A;;GA;;;SY)(A;;GA;;;BA)")
	if err != nil {
		return nil, err
	}
	sa := &windows.SecurityAttributes{Length: uint32(unsafe.Sizeof(windows.SecurityAttributes{})), SecurityDescriptor: sd}
	runtime.LockOSThread()
	h, err := windows.CreateMutex(sa, false, wide)
	if h == 0 || err != nil && !errors.Is(err, windows.ERROR_ALREADY_EXISTS) {
		runtime.UnlockOSThread()
		return nil, fmt.Errorf("cannot open the lock %s: %w", name, err)
	}
	give := func() {
		windows.CloseHandle(h)
		runtime.UnlockOSThread()
	}
	for until := time.Now().Add(limit); ; {
		got, err := windows.WaitForSingleObject(h, uint32(mutexPause.Milliseconds()))
		switch {
		case got == windows.WAIT_OBJECT_0 || got == windows.WAIT_ABANDONED:
			return func() {
				windows.ReleaseMutex(h)
				give()
			}, nil
		case err != nil && got != uint32(windows.WAIT_TIMEOUT):
			give()
			return nil, fmt.Errorf("cannot wait for the lock %s: %w", name, err)
		case ctx.Err() != nil:
			give()
			return nil, ctx.Err()
		case time.Now().After(until):
			give()
			return nil, fmt.Errorf("another process writes to the store, and did not end within %s", limit)
		}
	}
}
