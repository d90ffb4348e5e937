// Package native holds the adapters for the stores of operating systems: one
// family a set of files, all of them in one table ([Detect]). They reach the
// machine through trust/host alone.
package native
