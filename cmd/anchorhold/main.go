// Command anchorhold keeps an organisation's private roots in the machine-wide
// trust store of a host, as one signed policy says, and proves it.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
	"time"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	a := newApp(stdio{in: os.Stdin, out: os.Stdout, err: os.Stderr}, time.Now)
	os.Exit(a.run(ctx, os.Args[1:]))
}
