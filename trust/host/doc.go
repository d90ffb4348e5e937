// Package host is the only door to the machine: it reads files with a bound,
// writes them atomically into folders that were checked, runs tools by a fixed
// path with a fixed environment, looks accounts up and takes locks.
//
// A [Host] is the running machine ([System]) or another tree that looks like
// one ([At]): an image, or a test. Paths are always those of the machine
// ("/etc/ssl/certs"), with forward slashes; in another tree links are resolved
// inside it. Every effect first passes [Host.Step], so that a test can end the
// run before any one of them and see what the next run makes of it.
package host
