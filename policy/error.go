package policy

import (
	"errors"
	"fmt"
)

// Error tells why something of a policy is not believed or cannot be used.
// Code is stable and one of the table in this file; the other fields are for
// people.
type Error struct {
	Code    string // stable
	Subject string // path, line, key or root that is meant; may be empty
	Reason  string // what happened
	Next    string // what to do; may be empty
	Err     error  // the cause, where a caller could act on it
}

// Error puts the fields into one line.
func (e *Error) Error() string {
	s := e.Reason
	if e.Subject != "" {
		s = e.Subject + ": " + s
	}
	if e.Next != "" {
		s += "; " + e.Next
	}
	return s
}

// Unwrap returns the cause, if there is one.
func (e *Error) Unwrap() error { return e.Err }

// CodeOf returns the code of the first *Error in err's tree, or "".
func CodeOf(err error) string {
	if e, ok := errors.AsType[*Error](err); ok {
		return e.Code
	}
	return ""
}

// refuse makes an Error; what to do comes from the table of codes.
func refuse(code, subject, format string, args ...any) *Error {
	return &Error{Code: code, Subject: subject, Reason: fmt.Sprintf(format, args...), Next: codes[code]}
}

// clip shortens text of unknown origin and escapes it, so that it can stand in
// a message without taking over a terminal.
func clip(s string) string {
	const most = 80 // bytes shown
	if len(s) > most {
		return fmt.Sprintf("%q...", s[:most])
	}
	return fmt.Sprintf("%q", s)
}
