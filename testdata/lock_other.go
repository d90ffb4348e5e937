//go:build !linux && !darwin

package testdata

import (
	"errors"
	"os"
	"path/filepath"
)

func cacheDir() string { return filepath.Join(os.TempDir(), "anchorhold-cases") }

// lock refuses: the script that makes the cases needs modes and links.
func lock(string) (unlock func(), err error) {
	return nil, errors.New("the script needs Linux or macOS")
}
