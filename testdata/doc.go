// Package testdata finds what tests read: committed files by pattern
// ([Each], [Path]), and the folder of fault cases that a script makes anew
// ([Cases]).
//
// Nothing of the product imports it, and ./... passes it by: name it as
// ./testdata to test it.
package testdata
