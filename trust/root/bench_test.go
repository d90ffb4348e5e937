package root

import (
	"bytes"
	"crypto/x509"
	"fmt"
	"math/big"
	"testing"
)

// bundle is a store of n certificates of about 1.3 kB, as public ones are.
func bundle(b *testing.B, n int) []byte {
	b.Helper()
	var out bytes.Buffer
	der := rootDER(b, "Bench", func(c *x509.Certificate) {
		c.Subject.OrganizationalUnit = []string{string(bytes.Repeat([]byte{'x'}, 600))}
	})
	for i := range n {
		copy(der[len(der)-4:], big.NewInt(int64(1<<30+i)).Bytes()) // another signature, another fingerprint
		fmt.Fprintf(&out, "# %d\n%s", i, toPEM("CERTIFICATE", der))
	}
	return out.Bytes()
}

func BenchmarkScanBundle(b *testing.B) {
	for _, n := range []int{144, 10000} {
		data := bundle(b, n)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			b.SetBytes(int64(len(data)))
			for b.Loop() {
				if blocks, faults := Scan(data); len(blocks) != n || len(faults) != 0 {
					b.Fatal(len(blocks), faults)
				}
			}
		})
	}
}

func BenchmarkRead(b *testing.B) {
	one := []byte(toPEM("CERTIFICATE", rootDER(b, "Bench")))
	full := append(bytes.Repeat([]byte("MIIBkTCCATigAwIBAgICEmcwCgYIKoZIzj0EAwIwLzEUMBIGA1UEChMLSGFyYm91\n"), MaxFile/66-20), one...)
	for name, data := range map[string][]byte{"root": one, "full": full} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if f, err := Read(data); err != nil || len(f.Items) != 1 {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkVet reads and judges a root, its self-signature included.
func BenchmarkVet(b *testing.B) {
	der := rootDER(b, "Bench")
	for b.Loop() {
		if fs := Vet(parse(b, der), today, nil); len(fs) == 0 {
			b.Fatal("no findings")
		}
	}
}

// BenchmarkVetLargest judges the costliest key that is still computed with.
func BenchmarkVetLargest(b *testing.B) {
	tmpl := template("Largest")
	n := new(big.Int).Lsh(big.NewInt(1), maxRSA-1)
	n.Add(n, big.NewInt(12345))
	k := &big.Int{}
	for k.Set(n); smallFactor(k) != 0; k.Add(k, big.NewInt(2)) {
	}
	spki := tlv(0x30, tlv(0x30, tlv(6, []byte{0x2a, 0x86, 0x48, 0x86, 0xf7, 0x0d, 1, 1, 1}), []byte{5, 0}),
		tlv(3, []byte{0}, tlv(0x30, tlv(2, []byte{0}, k.Bytes()), tlv(2, []byte{0x7f, 0xff, 0xff, 0xff}))))
	good := parse(b, rootDER(b, "Largest", func(c *x509.Certificate) { *c = *tmpl }))
	alg := tlv(0x30, tlv(6, []byte{0x2a, 0x86, 0x48, 0x86, 0xf7, 0x0d, 1, 1, 11}), []byte{5, 0})
	exts := tlv(0xa3, tlv(0x30, tlv(0x30, tlv(6, []byte{0x55, 0x1d, 0x13}), []byte{1, 1, 0xff}, tlv(4, tlv(0x30, []byte{1, 1, 0xff})))))
	dates := tlv(0x30, tlv(0x17, []byte("240101000000Z")), tlv(0x17, []byte("440101000000Z")))
	tbs := tlv(0x30, tlv(0xa0, []byte{2, 1, 2}), []byte{2, 1, 1}, alg, good.Subject, dates, good.Subject, spki, exts)
	der := tlv(0x30, tbs, alg, tlv(3, []byte{0}, bytes.Repeat([]byte{0x5a}, maxRSA/8)))
	for b.Loop() {
		if fs := Vet(parse(b, der), today, nil); len(fs) == 0 {
			b.Fatal("no findings")
		}
	}
}
