//go:build !linux

package host

import "fmt"

const bounder = ""

const notExecutable, notFound = 126, 127

func confined(Cmd) (string, []string, error) {
	return "", nil, fmt.Errorf("cannot bound its memory: %w", ErrUnsupported)
}

// Bound bounds the data of this process, for good.
func Bound(int64) error {
	return fmt.Errorf("cannot bound the memory of this process: %w", ErrUnsupported)
}
