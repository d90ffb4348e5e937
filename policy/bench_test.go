package policy

import (
	"math/rand/v2"
	"testing"

	"anchorhold.test/anchorhold/trust/root"
)

// BenchmarkOpen1000 opens a policy of 1,000 roots with 3 signatures, certificates
// as large as those of P-256 and of RSA-4096 roots. The budget is 20 ms.
func BenchmarkOpen1000(b *testing.B) {
	for name, size := range map[string]int{"P-256": 550, "RSA-4096": 1400} {
		b.Run(name, func(b *testing.B) {
			h := newHarbour(b)
			data := mustSign(b, document(h.chain.Current(), 7, at("2026-01-02"), at("2026-03-01"), sizedRoots(size)...), h.chain, h.a, h.b, h.c)
			b.SetBytes(int64(len(data)))
			for b.Loop() {
				if _, _, err := Open(data, h.pin, Floor{}, at("2026-01-03")); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func sizedRoots(size int) []Root {
	noise := rand.NewChaCha8([32]byte{7})
	roots := make([]Root, MaxRoots)
	for i := range roots {
		der := make([]byte, size)
		noise.Read(der)
		roots[i] = anyRoot(1, Trusted)
		roots[i].DER, roots[i].SHA256 = der, root.Of(der)
	}
	return roots
}
