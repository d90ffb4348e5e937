//go:build unix && !linux

package host

import "fmt"

const notExecutable, notFound = 126, 127

func confined(Cmd) (string, []string, error) {
	return "", nil, fmt.Errorf("cannot bound its memory: %w", ErrUnsupported)
}
