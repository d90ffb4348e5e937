package native

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
)

var _ trust.Restorer = (*trial)(nil)

// javaKept is Java's store around the run of its hook, which alone knows how to
// build it, in place.
type javaKept struct {
	was  *content // before
	left *content // after, as it was read back; nil where no hook ran
	err  error    // how the hook ended
}

// Restore implements [trust.Restorer] for Java's store. Everything else was
// tried before it went live.
func (tr *trial) Restore(ctx context.Context, part string) error {
	cannot := func(err error) error { return fmt.Errorf("cannot put %s back as it was: %w", part, err) }
	k := tr.kept
	if part != partJava {
		return cannot(errors.New("it was built beside the live store and is as it was tried: somebody else changed it since, or its readers; see who refreshes the store"))
	}
	if k.left == nil || k.was.err != nil && !errors.Is(k.was.err, fs.ErrNotExist) {
		return cannot(errors.New("nothing is known of it from before"))
	}
	var still *host.StillRunning
	if errors.As(k.err, &still) {
		return cannot(still)
	}
	if err := tr.d.wait(ctx, tr.d.Host.DpkgBusy); err != nil {
		return cannot(err)
	}
	now := tr.d.load(tr.d.Java, maxBundle)
	if now.stamp != k.left.stamp || !bytes.Equal(now.data, k.left.data) {
		return cannot(errors.New("somebody else changed it meanwhile"))
	}
	dir, err := tr.d.Host.Dir(path.Dir(tr.d.Java))
	if err != nil {
		return cannot(err)
	}
	defer dir.Close()
	if errors.Is(k.was.err, fs.ErrNotExist) {
		err = dir.Remove(path.Base(tr.d.Java))
	} else {
		err = dir.Write(path.Base(tr.d.Java), k.was.data, k.was.mode.Perm())
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return cannot(err)
	}
	return nil
}
