package root

import "math/big"

// fermatSteps bounds the search for two close primes.
const fermatSteps = 100

// smallPrimes are the primes below 2^12.
var smallPrimes = func() []uint64 {
	const limit = 1 << 12
	var composite [limit]bool
	var out []uint64
	for p := uint64(2); p < limit; p++ {
		if composite[p] {
			continue
		}
		out = append(out, p)
		for m := p * p; m < limit; m += p {
			composite[m] = true
		}
	}
	return out
}()

// residue is n mod p for a small p.
func residue(n *big.Int, p uint64) uint64 {
	return new(big.Int).Mod(n, new(big.Int).SetUint64(p)).Uint64()
}

// smallFactor returns a prime below 2^12 that divides n, or 0.
func smallFactor(n *big.Int) uint64 {
	for _, p := range smallPrimes {
		if residue(n, p) == 0 {
			return p
		}
	}
	return 0
}

// infineon reports moduli that the RSA library of CVE-2017-15361 made. Its
// primes are k*M + (65537^a mod M), M the product of the first 39 primes or
// more; so modulo each of these primes the modulus is a power of 65537
// (Nemec, Sys, Svenda, Klinec, Matyas: The Return of Coppersmith's Attack,
// CCS 2017, section 2.3). A random modulus passes with less than 2^-100.
func infineon(n *big.Int) bool {
	const primes = 39 // those of the shortest keys, 512 bits
	for _, p := range smallPrimes[1:primes] {
		r, power, hit := residue(n, p), uint64(1), false
		for range p {
			hit = hit || power == r
			power = power * 65537 % p
		}
		if !hit {
			return false
		}
	}
	return true
}

// closePrimes tries Fermat's factorisation: n = a^2 - b^2 with a just above
// the root of n.
func closePrimes(n *big.Int) bool {
	if n.Bit(0) == 0 {
		return false // FIPS 186-5 moduli are odd; smallFactor tells
	}
	a := new(big.Int).Sqrt(n)
	if new(big.Int).Mul(a, a).Cmp(n) == 0 {
		return true
	}
	b2, root := new(big.Int), new(big.Int)
	for range fermatSteps {
		a.Add(a, big.NewInt(1))
		b2.Sub(b2.Mul(a, a), n)
		if !maybeSquare(b2) {
			continue
		}
		root.Sqrt(b2)
		if root.Mul(root, root).Cmp(b2) == 0 {
			return true
		}
	}
	return false
}

// maybeSquare rules most numbers out that are no squares, by their residues.
func maybeSquare(n *big.Int) bool {
	for _, m := range []uint64{64, 63, 65, 11, 17, 19, 23, 31} {
		r, hit := residue(n, m), false
		for i := range m {
			hit = hit || i*i%m == r
		}
		if !hit {
			return false
		}
	}
	return true
}
