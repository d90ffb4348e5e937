// Package probe finds out what a TLS service really serves, and how this host
// judges it.
//
// [Net.Gather] connects and keeps what was sent; it sends nothing beyond the
// handshake, and before it no more than RFC 3207 and RFC 4511 4.14 ask to begin
// one. [Judge] is pure: what was gathered, two sets of roots and a time come
// in, a verdict comes out. [Anchors] lists the roots each of which alone
// carries a chain. [Files] judges a renewed certificate before it is installed.
//
// A peer may send anything. It is asked by a child under an account without
// rights ([Child] is its body), within the bounds of this package, and the
// parent takes nothing but bounded JSON of our own form from it ([Answers]).
package probe
