//go:build !windows

package native

import "anchorhold.test/anchorhold/trust"

// platformStore is nil here: only on Windows the system itself says which store
// it has.
func platformStore() (trust.Store, bool) { return nil, false }
