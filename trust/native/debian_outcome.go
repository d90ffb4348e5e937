package native

import (
	"context"
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// outcomes reads the store again and tells how each change ended.
func (g *golive) outcomes(ctx context.Context) []trust.Outcome {
	now, err := g.d.read(context.WithoutCancel(ctx))
	if err == nil && g.kept.was != nil {
		g.kept.left = now.java
	}
	out := make([]trust.Outcome, len(g.t.batch))
	for i, c := range g.t.batch {
		o := trust.Outcome{Change: c, Status: trust.Done, Notes: slices.Concat(g.t.notes[i], g.notes)}
		switch {
		case g.t.failed[i] != nil:
			o.Err = g.t.failed[i]
		case g.err != nil:
			o.Err = fmt.Errorf("cannot %s: %w", c, g.err)
		case err != nil:
			o.Err = fmt.Errorf("cannot read back what became of it (%s): %w", c, err)
		case brings(c.Op):
			if _, wanted := g.t.in[c.Root.Fingerprint]; wanted {
				o.Err = g.lacking(now, c)
			}
		default:
			o.Err = g.lingering(now, c)
		}
		if o.Err != nil {
			o.Status = trust.Failed
		}
		out[i] = o
	}
	return out
}

// lacking tells which part lacks a root that should be there.
func (g *golive) lacking(now *state, c trust.Change) error {
	fp := c.Root.Fingerprint
	var parts []string
	if !slices.ContainsFunc(now.files, func(f *source) bool { return f.has(fp) }) {
		parts = append(parts, "the source")
	}
	if !now.bundle.has(fp) {
		parts = append(parts, now.bundle.path)
	}
	if !now.links.meets(fp, now.links.hashes[fp]) {
		parts = append(parts, "the links of "+now.links.dir)
	}
	if now.javaUse && !now.java.has(fp) && !now.shutJava() {
		parts = append(parts, "Java's store")
	}
	if len(parts) == 0 {
		return nil
	}
	err := fmt.Errorf("cannot %s: read back, it is not in %s", c, strings.Join(parts, ", "))
	if g.java != nil {
		err = fmt.Errorf("%w: %w", err, g.java)
	}
	return err
}

// lingering tells where a root still is that should be gone.
func (g *golive) lingering(now *state, c trust.Change) error {
	fp := c.Root.Fingerprint
	var left []error
	for _, f := range now.files {
		if f.has(fp) {
			left = append(left, fmt.Errorf("%s still holds it", f.path))
		}
	}
	if now.bundle.has(fp) {
		left = append(left, fmt.Errorf("%s still holds it", now.bundle.path))
	}
	for _, l := range now.links.sorted() {
		if l.content.has(fp) {
			left = append(left, fmt.Errorf("%s still leads to it", path.Join(now.links.dir, l.name)))
		}
	}
	for _, b := range now.java.blocks {
		if b.Fingerprint == fp {
			left = append(left, g.remedy(now, b))
		}
	}
	if len(left) == 0 {
		return nil
	}
	return fmt.Errorf("cannot %s: read back, it is not gone: %w", c, errors.Join(left...))
}

// remedy says how an entry of Java's store is taken out that the hook left.
func (g *golive) remedy(now *state, b root.Block) error {
	name := root.Of(b.DER).Short()
	switch {
	case g.java != nil:
		return fmt.Errorf("%s still holds it: %w", now.java.path, g.java)
	case !strings.HasPrefix(b.Alias, javaPrefix):
		return fmt.Errorf("%s holds %s under an alias that the platform's hook does not know; take it out with keytool -delete -keystore %s -alias %q", now.java.path, name, now.java.path, b.Alias)
	case !now.javaUse:
		return fmt.Errorf("%s holds it, and %s; take it out with keytool -delete -keystore %s -alias %q", now.java.path, now.javaOff, now.java.path, b.Alias)
	}
	return fmt.Errorf("%s still holds it under %q", now.java.path, b.Alias)
}
