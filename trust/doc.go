// Package trust is the contract between what a policy wants and the places
// where programs look for roots.
//
// A [Store] is observed ([Snapshot]), tried and changed in batches of
// [Change]; [Snapshot.Placement] judges what is true of one root in it. Stores
// know nothing of policies or of what anchorhold itself placed: those who
// decide live elsewhere.
package trust
