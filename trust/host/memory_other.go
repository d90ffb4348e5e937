//go:build !linux

package host

import "fmt"

const bounder = ""

// Bound bounds the data of this process, for good.
func Bound(int64) error {
	return fmt.Errorf("cannot bound the memory of this process: %w", ErrUnsupported)
}
