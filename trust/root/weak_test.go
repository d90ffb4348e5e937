package root

import (
	"crypto/rand"
	"crypto/rsa"
	"math/big"
	"testing"
)

// flawedPrime makes a prime as the library of CVE-2017-15361 did: k*M +
// (65537^a mod M), M the product of the first 71 primes for primes of 512 bits.
func flawedPrime(a, k int64) *big.Int {
	m := big.NewInt(1)
	for _, p := range smallPrimes[:71] {
		m.Mul(m, new(big.Int).SetUint64(p))
	}
	base := new(big.Int).Exp(big.NewInt(65537), big.NewInt(a), m)
	for n := new(big.Int).Lsh(big.NewInt(k), 30); ; n.Add(n, big.NewInt(1)) {
		if p := new(big.Int).Add(new(big.Int).Mul(n, m), base); p.ProbablyPrime(20) {
			return p
		}
	}
}

func TestFlawedChipKeys(t *testing.T) {
	n := new(big.Int).Mul(flawedPrime(1234567, 3), flawedPrime(7654321, 5))
	if n.BitLen() < 960 || !infineon(n) {
		t.Errorf("a modulus of %d bits made as by the flawed library passes", n.BitLen())
	}
	if infineon(new(big.Int).Add(n, big.NewInt(2))) {
		t.Error("its neighbour does not pass")
	}
	for range 3 {
		k, err := rsa.GenerateKey(rand.Reader, 1024)
		if err != nil {
			t.Fatal(err)
		}
		if infineon(k.N) || smallFactor(k.N) != 0 || closePrimes(k.N) {
			t.Errorf("a good key is called weak: %x", k.N)
		}
	}
}

func TestCloseAndSmallPrimes(t *testing.T) {
	p := new(big.Int).Lsh(big.NewInt(3), 1023)
	for !p.ProbablyPrime(20) {
		p.Add(p, big.NewInt(1))
	}
	q := new(big.Int).Add(p, new(big.Int).Lsh(big.NewInt(1), 500))
	for !q.ProbablyPrime(20) {
		q.Add(q, big.NewInt(1))
	}
	far := new(big.Int).Lsh(big.NewInt(1), 1024)
	for !far.ProbablyPrime(20) {
		far.Add(far, big.NewInt(1))
	}
	mul := func(a, b *big.Int) *big.Int { return new(big.Int).Mul(a, b) }
	if !closePrimes(mul(p, q)) || !closePrimes(mul(p, p)) || closePrimes(mul(p, far)) || closePrimes(mul(p, big.NewInt(2))) {
		t.Error("Fermat's method misses close primes, or finds far ones")
	}
	if smallFactor(mul(p, big.NewInt(4093))) != 4093 || smallFactor(mul(p, big.NewInt(2))) != 2 || smallFactor(mul(p, q)) != 0 {
		t.Error("small factors")
	}
}

// TestPublicKeysAreStrong: no public root is called weak.
func TestPublicKeysAreStrong(t *testing.T) {
	n := 0
	for _, c := range publicRoots(t) {
		if k := readKey(c.SPKI); k.n != nil {
			n++
			if infineon(k.n) || smallFactor(k.n) != 0 || closePrimes(k.n) {
				t.Errorf("%s is called weak", c.Name())
			}
		}
	}
	if n < 50 {
		t.Errorf("only %d RSA keys", n)
	}
}
