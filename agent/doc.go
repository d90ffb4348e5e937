// Package agent decides and drives: what a verified policy wants of this host
// ([Wants]), which changes that takes ([Plan]), which of them must wait
// ([Guard]), and the cycle that carries the rest out and proves it
// ([Agent.Cycle]).
//
// Wants, Plan and Guard are pure. Everything that touches the machine comes in
// through interfaces: stores, the ledger, the prover.
package agent
