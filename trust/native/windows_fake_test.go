package native

import (
	"bytes"
	"context"
	"crypto/sha1"
	"encoding/binary"
	"errors"
	"io/fs"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/trusttest"
)

// fakeWindows does what Wine was measured to do, as a harsher Windows: an open
// store is a copy, a commit writes all of that copy, and what is not committed
// is lost.
type fakeWindows struct {
	keys   map[string]map[string][]byte // by path without "\Certificates", then by name
	merges bool                         // programs see what a directory brings: Wine does not
	deaf   bool                         // adds answer success and do nothing
	locked bool

	beforeCommit func()
	denied       map[string]bool
}

func element(id uint32, data []byte) []byte {
	var b []byte
	b = binary.LittleEndian.AppendUint32(b, id)
	b = binary.LittleEndian.AppendUint32(b, 1)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(data)))
	return append(b, data...)
}

func blobOf(der []byte, name string) []byte {
	sum := sha1.Sum(der)
	return slices.Concat(element(propName, utf16le(name+"\x00")), element(propSHA1, sum[:]), element(propCert, der))
}

func (f *fakeWindows) put(path string, ders ...[]byte) {
	if f.keys[path] == nil {
		f.keys[path] = map[string][]byte{}
	}
	for _, der := range ders {
		f.keys[path][thumb(der)] = blobOf(der, "by hand")
	}
}

func (f *fakeWindows) Keys(path string) ([]winKey, error) {
	if f.denied[path] {
		return nil, fs.ErrPermission
	}
	if f.keys[path] == nil {
		return nil, fs.ErrNotExist
	}
	var ks []winKey
	for n, b := range f.keys[path] {
		ks = append(ks, winKey{n, b})
	}
	return ks, nil
}

func (f *fakeWindows) Subkeys(path string) ([]string, error) {
	seen := map[string]bool{}
	for p := range f.keys {
		if rest, ok := strings.CutPrefix(p, path+`\`); ok {
			name, _, _ := strings.Cut(rest, `\`)
			seen[name] = true
		}
	}
	return slices.Sorted(maps.Keys(seen)), nil
}

func (f *fakeWindows) Drop(path, name string) error {
	delete(f.keys[path], name)
	return nil
}

func (f *fakeWindows) View(store string) ([][]byte, error) {
	homes := []string{winMachine + `\` + store}
	if store == winRoot {
		homes = append(homes, winMachine+`\AuthRoot`)
	}
	if f.merges {
		homes = append(homes, winPolicies+`\`+store, winEnterprise+`\`+store)
	}
	var all [][]byte
	for _, h := range homes {
		for n, b := range f.keys[h] {
			if got, err := parseBlob(b); err == nil && idle(winKey{n, b}, got) == "" {
				all = append(all, got.der)
			}
		}
	}
	return all, nil
}

func (f *fakeWindows) Lock(ctx context.Context, _ time.Duration) (func(), error) {
	if f.locked {
		return nil, errors.New("held by another process")
	}
	f.locked = true
	return func() { f.locked = false }, ctx.Err()
}

func (f *fakeWindows) Open(store string, create bool) (winStore, error) {
	at := winMachine + `\` + store
	if f.keys[at] == nil && !create {
		return nil, fs.ErrNotExist
	}
	return &fakeHandle{f: f, at: at, copy: maps.Clone(f.keys[at])}, nil
}

type fakeHandle struct {
	f    *fakeWindows
	at   string
	copy map[string][]byte
}

func (h *fakeHandle) Add(der []byte, name string) error {
	if !h.f.locked {
		return errors.New("a writer without the lock")
	}
	if h.f.deaf {
		return nil
	}
	if h.copy == nil {
		h.copy = map[string][]byte{}
	}
	h.copy[thumb(der)] = blobOf(der, name)
	return nil
}

func (h *fakeHandle) Delete(der []byte) (bool, error) {
	for n, b := range h.copy {
		if got, err := parseBlob(b); err == nil && bytes.Equal(got.der, der) && n == thumb(der) {
			delete(h.copy, n)
			return true, nil
		}
	}
	return false, nil
}

func (h *fakeHandle) Commit() error {
	if h.f.beforeCommit != nil {
		h.f.beforeCommit()
	}
	h.f.keys[h.at] = maps.Clone(h.copy)
	return nil
}

func (h *fakeHandle) Close() error { return nil }

// newFakeWindows holds a root of Windows' own list, and one by hand.
func newFakeWindows(t testing.TB) (*Windows, *fakeWindows) {
	f := &fakeWindows{keys: map[string]map[string][]byte{}, merges: true, denied: map[string]bool{}}
	f.put(winMachine+`\AuthRoot`, trusttest.NewAuthority(t, "Harbour Vendor").Cert.Raw)
	f.put(winMachine+`\Root`, trusttest.NewAuthority(t, "Harbour By Hand").Cert.Raw)
	return newWindows(f), f
}

func TestWindowsKeepsTheContract(t *testing.T) {
	trusttest.Run(t, func(t *testing.T) trust.Store {
		w, _ := newFakeWindows(t)
		return w
	})
}
