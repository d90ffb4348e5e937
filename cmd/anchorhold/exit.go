package main

import (
	"errors"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/policy"
)

// Exit codes, for scripts and fleet tools.
const (
	exitRight   = 0 // all due placements right and the policy fresh
	exitWrong   = 1 // some placement is not as wanted, a step is held or suspended, or the policy is stale or refused
	exitUnknown = 2 // could not tell: usage, input, environment
)

// verdict is an error that carries its exit code; with no text the screen has
// said everything already.
type verdict struct {
	code int
	err  error
}

func (v verdict) Error() string {
	if v.err == nil {
		return ""
	}
	return v.err.Error()
}

func (v verdict) Unwrap() error { return v.err }

// codeOf is the one table from errors to exit codes.
func codeOf(err error) int {
	var v verdict
	var p *policy.Error
	switch {
	case err == nil:
		return exitRight
	case errors.As(err, &v):
		return v.code
	case errors.As(err, &p):
		return exitWrong
	}
	return exitUnknown
}

// judged returns the verdict over a run: what is wrong outranks what could not
// be seen.
func judged(b agent.Belief, r agent.Result) error {
	code := exitRight
	switch {
	case b.Has(agent.Refused), b.Has(agent.TooNew), b.Has(agent.Stale):
		code = exitWrong
	case b.Has(agent.NoPolicy):
		return verdict{code: exitUnknown}
	case b.Has(agent.Unreachable):
		code = exitWrong
	}
	wrong := false
	for _, row := range r.Rows {
		wrong = wrong || row.Known && !row.Right
	}
	for _, c := range r.Changes {
		wrong = wrong || c.Err != nil
	}
	switch {
	case wrong || len(r.Held) > 0 || len(r.Suspended) > 0 || len(r.Torn()) > 0:
		code = exitWrong
	case !r.Known() && code == exitRight:
		code = exitUnknown
	}
	if code == exitRight {
		return nil
	}
	return verdict{code: code}
}
