package native

import (
	"fmt"
	"slices"

	"anchorhold.test/anchorhold/trust/root"
)

// ruined says why readers get less from the whole bundle than they should,
// whatever root they look for, or "": one bad block costs OpenSSL and GnuTLS
// every other, and overlapping refreshes leave a part of the roots (both
// measured). A refresh makes it whole.
func (b *builder) ruined(c *content, held map[root.Fingerprint]int) string {
	for _, f := range c.faults {
		if slices.Contains(ruinous, f.Code) {
			return fmt.Sprintf("line %d: %s; %s", f.Line, f.What, f.Harm)
		}
	}
	lost := map[root.Fingerprint]bool{}
	for _, f := range b.s.files {
		if f.vendor == "" || f.missing || f.err != nil || len(f.faults) > 0 {
			continue // the platform's tool brings no more of it either
		}
		for _, blk := range f.blocks {
			if held[blk.Fingerprint] == 0 {
				lost[blk.Fingerprint] = true
			}
		}
	}
	if len(lost) > 0 {
		return fmt.Sprintf("%d roots that %s selects are not in it: a refresh was torn, or is still due", len(lost), b.s.d.Conf)
	}
	return ""
}
