package probe

import "time"

// Bounds of one run.
const (
	MaxTargets   = 1000 // targets of one run or list
	MaxAddresses = 8    // of one target that are asked
	MaxParallel  = 16   // connections at a time

	MaxHandshake = 512 << 10 // bytes that are read of one connection; crypto/tls takes 256 KiB of certificates
	MaxSent      = 64        // certificates of one chain that are looked at; BetterTLS has real paths among 36
	MaxChecks    = 64        // roots that are tried on one chain; crypto/x509 stops each try at 100 signatures

	MaxList     = 256 << 10 // bytes of a list of targets
	MaxFile     = 1 << 20   // bytes of a chain file or a key file
	MaxQuestion = 32 << 20  // bytes that a child is given
	MaxAnswer   = 32 << 20  // bytes that are taken from a child
)

// Limits of time.
const (
	LookupLimit  = 5 * time.Second  // of a name
	ReverseLimit = 3 * time.Second  // of an address's name
	TargetLimit  = 10 * time.Second // of one address, from the connection to the end of the handshake
)

// Bounds of what is told of a certificate, for screens and reports.
const (
	maxNames = 20
	maxText  = 300
	maxName  = 100
)
