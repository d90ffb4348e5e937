// Command anchorhold keeps an organisation's private roots in the machine-wide
// trust store of a host, as one signed policy says, and proves it.
package main

import (
	"context"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"
	"time"
)

// collectAt is how far the heap may grow before the first collection, in
// percent of the runtime's 4 MB (runtime/debug.SetGCPercent): a run over a store
// of usual size ends before that, and collecting took a tenth of its time.
const collectAt = 400

func main() {
	debug.SetGCPercent(collectAt)
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	a := newApp(stdio{in: os.Stdin, out: os.Stdout, err: os.Stderr}, time.Now)
	os.Exit(a.run(ctx, os.Args[1:]))
}
