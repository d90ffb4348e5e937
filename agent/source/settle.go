package source

import (
	"context"
	"time"

	"github.com/fsnotify/fsnotify"
)

// How long a file must have been left alone before it is read. One that was
// moved or linked into place is whole at once; one that somebody writes to is
// given time, so that its halves are not all handed up.
const (
	settleMoved   = 20 * time.Millisecond
	settleWritten = 100 * time.Millisecond
	settleMost    = 2 * time.Second // who never leaves it alone does not keep it from being read
	settleGone    = time.Second     // missing that long, it is told as missing
)

// calm waits for quiet after events.
type calm struct{ quiet, most *time.Timer }

// stir begins the waiting for quiet, or begins it anew.
func (c *calm) stir(d time.Duration) {
	if c.most == nil {
		c.most, c.quiet = time.NewTimer(settleMost), time.NewTimer(d)
		return
	}
	c.quiet.Reset(d)
}

func (c *calm) stop() {
	if c.most != nil {
		c.quiet.Stop()
		c.most.Stop()
	}
}

// after is the timer's channel, nil where there is no timer.
func after(t *time.Timer) <-chan time.Time {
	if t == nil {
		return nil
	}
	return t.C
}

// wait returns when the file may have changed and was left alone since, and
// after the poll in any case.
func (f *File) wait(ctx context.Context) error {
	slow := time.NewTimer(f.poll())
	defer slow.Stop()
	var c calm
	defer c.stop()
	for {
		var events <-chan fsnotify.Event
		var faults <-chan error
		if f.eyes != nil {
			events, faults = f.eyes.Events(), f.eyes.Errors()
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-slow.C:
			f.lost.all = true // of a folder that was unmounted nothing is heard
			return nil
		case <-after(c.quiet):
			return nil
		case <-after(c.most):
			return nil
		case e := <-events:
			if f.trail.decides(e.Name) {
				f.lost.folder(e, f.trail)
				c.stir(quietAfter(e))
			}
		case <-faults: // more happened than the system keeps for us
			f.lost.all = true
			c.stir(settleMoved)
		}
	}
}

func quietAfter(e fsnotify.Event) time.Duration {
	if e.Op == fsnotify.Write {
		return settleWritten
	}
	return settleMoved
}

// pause waits that long.
func pause(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}
