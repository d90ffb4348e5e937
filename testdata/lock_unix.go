//go:build linux || darwin

package testdata

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"syscall"
)

// cacheDir is where this account keeps its sets: other accounts may read it,
// since some tests look at the cases as somebody else.
func cacheDir() string {
	return filepath.Join(os.TempDir(), "anchorhold-cases-"+strconv.Itoa(os.Geteuid()))
}

// lock makes the cache folder, checks that nobody else can plant anything in
// it, and waits until no other process makes a set there: makeLimit at most,
// for the lock ends with its holder, however that ends.
func lock(dir string) (unlock func(), err error) {
	if err := os.Mkdir(dir, 0o755); err != nil && !os.IsExist(err) {
		return nil, err
	}
	info, err := os.Lstat(dir)
	if err != nil {
		return nil, err
	}
	owner, ok := info.Sys().(*syscall.Stat_t)
	if !info.IsDir() || info.Mode().Perm()&0o022 != 0 || !ok || int(owner.Uid) != os.Geteuid() {
		return nil, fmt.Errorf("%s is not a folder of this account's own: remove it", dir)
	}
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX); err != nil {
		f.Close()
		return nil, fmt.Errorf("cannot lock %s: %w", f.Name(), err)
	}
	return func() { f.Close() }, nil
}
