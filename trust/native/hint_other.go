//go:build !linux

package native

import "anchorhold.test/anchorhold/trust/host"

func hint(*host.Host) string { return "" }
