//go:build unix && !linux

package host

import "fmt"

func confine(int, int64) error { return fmt.Errorf("cannot bound its memory: %w", ErrUnsupported) }
