// Package policy is what a policy says and whether to believe it.
//
// A person writes a draft ([ParseDraft]), which is compiled with its root
// files into a [Document] ([Compile]), signed by one or several signers
// ([Sign]), and opened on a host ([Open]) against a pinned keyset and the
// newest mark that the host has seen. Only Open fills a [Verified]; its zero
// value plans nothing. Bytes come in, bytes go out: no file, no network and no
// clock is touched here.
package policy
