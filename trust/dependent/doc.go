// Package dependent finds the certificates that a host's servers are set up
// with, and tells which roots carry each.
//
// [Gather] follows the configurations of well-known servers, one small parser
// each, to the files and Java key stores that they name, and looks through
// folders of PEM files. Parsers know a format's comments, quotes and includes
// and evaluate nothing: a name with a variable in it is told, not followed.
// Nothing is changed and no private key is kept.
//
// Foreign files are no business of a process that may write a store: [Child] is
// the body of a process under an account without rights, and [Answers] takes
// nothing from it but bounded JSON of our own form.
package dependent
