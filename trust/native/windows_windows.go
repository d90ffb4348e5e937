package native

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"time"
	"unsafe"

	"golang.org/x/sys/windows"
	"golang.org/x/sys/windows/registry"

	"anchorhold.test/anchorhold/trust"
)

// Bounds of what is read of the registry and of a store.
const (
	maxWinKeys  = 20_000
	maxWinCerts = 20_000
)

// winMutex is the name of the lock that all writers of this program take.
const winMutex = `Global\anchorhold-machine-store`

// mutexPause is how long a waiting Lock sleeps between two attempts to notice
// that it was called off.
const mutexPause = 50 * time.Millisecond

// NewWindows returns the store of the running system.
func NewWindows() *Windows { return newWindows(winSystem{}) }

func platformStore() (trust.Store, bool) { return NewWindows(), true }

// winSystem is the real [winAPI].
type winSystem struct{}

func openKey(path string, access uint32) (registry.Key, error) {
	hive, rest, _ := strings.Cut(path, `\`)
	root := registry.LOCAL_MACHINE
	if hive == winUsers {
		root = registry.USERS
	}
	if rest == "" {
		rest = "."
		if hive == winUsers {
			rest = ""
		}
	}
	return registry.OpenKey(root, rest, access)
}

// Subkeys implements [winAPI].
func (winSystem) Subkeys(path string) ([]string, error) {
	k, err := openKey(path, registry.ENUMERATE_SUB_KEYS|registry.QUERY_VALUE)
	if err != nil {
		return nil, err
	}
	defer k.Close()
	names, err := k.ReadSubKeyNames(-1)
	if err != nil {
		return nil, err
	}
	if len(names) > maxWinKeys {
		return nil, fmt.Errorf("%s has more than %d keys", path, maxWinKeys)
	}
	return names, nil
}

// Keys implements [winAPI].
func (s winSystem) Keys(path string) ([]winKey, error) {
	path += `\Certificates`
	names, err := s.Subkeys(path)
	if err != nil {
		return nil, err
	}
	var keys []winKey
	for _, name := range names {
		k := winKey{Name: name}
		k.Blob, err = readBlob(path + `\` + name)
		if errors.Is(err, fs.ErrNotExist) {
			continue // it went meanwhile, or has no such value
		}
		if err != nil {
			return nil, err
		}
		keys = append(keys, k)
	}
	return keys, nil
}

func readBlob(path string) ([]byte, error) {
	k, err := openKey(path, registry.QUERY_VALUE)
	if err != nil {
		return nil, err
	}
	defer k.Close()
	size, kind, err := k.GetValue("Blob", nil)
	if err != nil {
		return nil, err
	}
	if size > maxBlob || kind != registry.BINARY {
		return nil, nil // told as unusable
	}
	buf := make([]byte, size)
	n, _, err := k.GetValue("Blob", buf)
	return buf[:min(n, size)], err
}

// Drop implements [winAPI].
func (winSystem) Drop(path, name string) error {
	if name == "" || strings.Contains(name, `\`) {
		return fmt.Errorf("%q is no single key", name)
	}
	k, err := openKey(path+`\Certificates`, registry.ENUMERATE_SUB_KEYS|registry.SET_VALUE)
	if err != nil {
		return err
	}
	defer k.Close()
	return registry.DeleteKey(k, name)
}

// View implements [winAPI].
func (winSystem) View(store string) ([][]byte, error) {
	h, err := openStore(windows.CERT_STORE_PROV_SYSTEM_W, store, windows.CERT_STORE_READONLY_FLAG|windows.CERT_STORE_OPEN_EXISTING_FLAG)
	if err != nil {
		return nil, err
	}
	defer windows.CertCloseStore(h, 0)
	var all [][]byte
	var c *windows.CertContext
	for {
		c, err = windows.CertEnumCertificatesInStore(h, c) // frees the one before
		if errors.Is(err, windows.Errno(windows.CRYPT_E_NOT_FOUND)) || err == nil && c == nil {
			return all, nil
		}
		if err != nil {
			return nil, fmt.Errorf("cannot list %s: %w", store, err)
		}
		if len(all) == maxWinCerts {
			windows.CertFreeCertificateContext(c)
			return nil, fmt.Errorf("%s has more than %d certificates", store, maxWinCerts)
		}
		all = append(all, encoded(c))
	}
}

func encoded(c *windows.CertContext) []byte {
	return bytes.Clone(unsafe.Slice(c.EncodedCert, c.Length))
}

func openStore(provider uintptr, store string, flags uint32) (windows.Handle, error) {
	name, err := windows.UTF16PtrFromString(store)
	if err != nil {
		return 0, err
	}
	return windows.CertOpenStore(provider, 0, 0, windows.CERT_SYSTEM_STORE_LOCAL_MACHINE|flags, uintptr(unsafe.Pointer(name)))
}

// Lock implements [winAPI].
func (winSystem) Lock(ctx context.Context, limit time.Duration) (func(), error) {
	return lockMutex(ctx, winMutex, limit)
}
