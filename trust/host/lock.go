package host

import (
	"context"
	"fmt"
	"path"
	"time"
)

// lockPause is how long a waiting Lock sleeps between two attempts.
const lockPause = 50 * time.Millisecond

// Busy says that somebody else holds a lock.
type Busy struct {
	Path string
	PID  int // 0 where it is not known
}

func (b *Busy) Error() string {
	if b.PID == 0 {
		return b.Path + " is held by another process; wait until it has finished"
	}
	return fmt.Sprintf("%s is held by process %d; wait until it has finished", b.Path, b.PID)
}

// Lock is a lock that is held.
type Lock struct{ release func() error }

// Release lets the lock go.
func (l *Lock) Release() error { return l.release() }

// Lock takes the lock on a file, which is made where it is missing, and waits
// for it at most as long as the limit says. The error is a *[Busy] when
// somebody else kept it. The lock ends with the process that holds it.
func (h *Host) Lock(ctx context.Context, name string, limit time.Duration) (*Lock, error) {
	d, err := h.Dir(path.Dir(name))
	if err != nil {
		return nil, fmt.Errorf("cannot lock %s: %w", name, err)
	}
	defer d.Close()
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	for {
		l, err := d.lock(path.Base(name))
		if err != nil {
			return nil, fmt.Errorf("cannot lock %s: %w", name, err)
		}
		if l.release != nil {
			return l, nil
		}
		select {
		case <-ctx.Done():
			return nil, fmt.Errorf("cannot lock %s within %s: %w", name, limit, &Busy{Path: name, PID: d.holder(path.Base(name))})
		case <-time.After(lockPause):
		}
	}
}
