// Package ledger keeps what anchorhold itself did on a host: which roots it
// placed or blocked, which changes are under way, and the history of every
// change ever made.
//
// A change is recorded and synced before its effect. An entry leaves only when
// its absence was observed. A ledger that cannot be read is an error, never an
// empty ledger: forgetting what is ours would make it somebody else's.
package ledger
