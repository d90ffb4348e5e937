package host

import "context"

func runProgram(context.Context, Cmd) (Result, error) { return Result{}, ErrUnsupported }
