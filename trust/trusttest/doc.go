// Package trusttest makes the contract of trust.Store executable ([Run]), and
// brings what its tests stand on: a store in memory ([NewMemory]), a small
// machine whose tools are scripted and that dies where it is told to
// ([FakeHost]), and the real machine behind a private mount namespace
// ([Private]). Only tests import it.
package trusttest
