// Package source brings policies to a host: from a file that is watched
// ([File]) or from an address ([Web]). It brings bytes and their digest, and
// judges nothing: who opens them decides by their signatures. So half a file,
// or one from somebody else, does no more harm than to be refused.
//
// [Source.Next] returns when there is something to know: other bytes than the
// last ones, a source that cannot be read, or one that can be read again.
//
// The process that may write a store opens no connection: what [Web] asks of
// the network is asked by a child without rights, whose body is [Child].
package source
