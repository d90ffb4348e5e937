// Package reader asks accounts without privileges what they can read.
//
// A process that runs as root sees trust that no service sees: a folder with
// mode 0700 or a file with 0600 is enough. [Prover] therefore runs a child
// under each named account, which opens every compiled part of a store itself,
// finds the root by its fingerprint and validates a certificate with what it
// read ([Answer] is the body of that child).
package reader
