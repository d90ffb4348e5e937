package root

import "time"

// Bounds of RSA, in bits.
const (
	minRSA = 2048  // NIST SP 800-131A r2: 112 bits of strength
	bigRSA = 8192  // crypto/tls refuses servers' keys above it
	maxRSA = 16384 // above it nothing is computed with the key
)

// rsa judges RSA keys (NIST SP 800-131A r2, SP 800-57 part 1 r5 5.6).
func (v *vetting) rsa() {
	k := v.key
	if k.n == nil {
		return
	}
	bits := k.n.BitLen()
	switch {
	case k.n.Sign() <= 0:
		v.refuse("rsa-modulus", "RFC 8017 3.1; measured: no library verifies with it", newRoot, "its RSA modulus is not positive")
		return
	case bits < minRSA:
		v.refuse("rsa-short", "NIST SP 800-131A r2; measured: OpenSSL at security level 2 refuses fewer bits", newRoot,
			"its RSA key has %d bits; the floor is %d", bits, minRSA)
	case bits > maxRSA:
		v.refuse("rsa-too-large", "the ceiling of this program, so that no key costs more than milliseconds", newRoot,
			"its RSA key has %d bits; the ceiling is %d", bits, maxRSA)
		return
	case bits > bigRSA:
		v.warn("rsa-large", "crypto/tls of Go since 1.21", "prefer 4096 bits or P-384",
			"its RSA key has %d bits; Go programs refuse a server that sends a key over %d bits, and each check is slow", bits, bigRSA)
	case bits < 3072 && v.c.NotAfter.Year() > 2030:
		v.warn("rsa-2048-after-2030", "NIST SP 800-57 part 1 r5 5.6.3: 112 bits of strength through 2030", "plan a successor with 3072 bits or more, or P-384",
			"its RSA key has %d bits and is to be used until %s", bits, day(v.c.NotAfter))
	}
	if k.algorithm == keyRSAPSS {
		v.refuse("key-algorithm", "RFC 4055; Go does not verify with such a key", newRoot, "its key is tied to RSASSA-PSS")
	}
	v.exponent()
	v.weakness()
}

func (v *vetting) exponent() {
	e := v.key.e
	switch {
	case e.Sign() <= 0 || e.Bit(0) == 0 || e.BitLen() < 2:
		v.refuse("rsa-exponent", "RFC 8017 3.1", newRoot, "its RSA exponent %s cannot be one", clip(e.String(), 40))
	case e.BitLen() > 31:
		v.refuse("rsa-exponent", "Go and Windows take exponents of at most 31 or 32 bits", newRoot, "its RSA exponent has %d bits", e.BitLen())
	case e.Int64() < 65537:
		v.warn("rsa-exponent", "NIST SP 800-56B r2 6.2", "prefer 65537", "its RSA exponent is %s, less than 65537", e)
	}
}

// weakness looks for keys whose factors are easy to find.
func (v *vetting) weakness() {
	n := v.key.n
	const gone = "treat the key as known to everybody, and have the CA make a new one on other hardware"
	if p := smallFactor(n); p != 0 {
		v.refuse("small-factor", "FIPS 186-5 A.1", gone, "its RSA modulus is divisible by %d", p)
	}
	if infineon(n) {
		v.refuse("roca", "CVE-2017-15361", gone, "its RSA key has the mark of keys that a flawed chip library made (ROCA)")
	}
	if closePrimes(n) {
		v.refuse("close-primes", "FIPS 186-5 A.1.3; CVE-2022-26320", gone, "the two primes of its RSA key are so close that Fermat's method finds them")
	}
	if v.c.NotBefore.Before(debianMended) {
		v.note("debian-keys-not-checked", "CVE-2008-0166", "whether its key is one of those that Debian's OpenSSL of 2006 to 2008 could make was not checked")
	}
}

// debianMended is half a year after the mend of CVE-2008-0166. Younger roots
// are not asked about it.
var debianMended = time.Date(2008, 11, 13, 0, 0, 0, 0, time.UTC)

// curve judges keys that are not RSA (RFC 5480, 8410; FIPS 186-5).
func (v *vetting) curve() {
	k := v.key
	switch {
	case k.n != nil:
	case k.algorithm == keyEC && (curveNames[k.curve] == "P-256" || curveNames[k.curve] == "P-384" || curveNames[k.curve] == "P-521"):
	case k.algorithm == keyEd25519:
		v.warn("ed25519", "measured: NSS 3.87 cannot import it, pyca/cryptography refuses it", "prefer P-256 or P-384 where browsers read the root", "its key is Ed25519")
	case k.algorithm == keyEC:
		v.refuse("curve", "FIPS 186-5; measured: Java, NSS and pyca/cryptography refuse P-224", newRoot,
			"its key is on %s; P-256, P-384 and P-521 are read everywhere", k.words())
	default:
		v.refuse("key-algorithm", "RFC 5280 4.1.2.7", newRoot, "its key is %s, which the libraries of a host do not verify with", k.words())
	}
}

func day(t time.Time) string { return t.UTC().Format(time.DateOnly) }
