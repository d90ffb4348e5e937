// Package root reads and vets root certificates.
//
// It takes a file in whatever shape a certification authority, a wizard or a
// colleague hands out ([Read]), a store file as it lies on a machine ([Scan]),
// walks the outer DER of certificates that even crypto/x509 refuses ([Parse]),
// and judges whether a certificate should be anybody's root ([Vet]). Nothing
// here touches a file system, a network or a clock: bytes and a time come in.
package root
