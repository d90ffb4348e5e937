package native

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
)

// buildOptions are the options by which Debian's tool builds elsewhere. One
// that it does not know makes it print its usage and exit 0 (measured).
var buildOptions = []string{"--certsconf", "--certsdir", "--localcertsdir", "--etccertsdir", "--hooksdir"}

// maxNote bounds what a note quotes of a tool's output.
const maxNote = 400

// stage is the store as it would be, built beside the live one.
type stage struct {
	d      *Debian
	certs  string            // stands for d.Certs
	local  string            // stands for d.Local
	staged map[string]string // local files that have a counterpart here, and where
	bundle *content
	links  links
	notes  []string
}

// build makes the store as it would be: the links as they will be, the local
// files as the tool may take them, and the bundle by the platform's own tool.
// Everything in it can be read by every account.
func (d *Debian) build(ctx context.Context, t *target, b *board) (*stage, error) {
	st := &stage{d: d, certs: path.Join(d.Stage, "certs"), local: path.Join(d.Stage, "local")}
	up, err := d.Host.Ensure(path.Dir(d.Stage), 0o755)
	if err != nil {
		return nil, err
	}
	defer up.Close()
	if err := up.RemoveAll(path.Base(d.Stage)); err != nil {
		return nil, err
	}
	for name, perm := range map[string]fs.FileMode{st.certs: 0o755, st.local: 0o755, path.Join(d.Stage, "hooks"): 0o755, path.Join(d.Stage, "tmp"): 0o700} {
		dir, err := d.Host.Ensure(path.Dir(name), 0o755)
		if err != nil {
			return nil, err
		}
		err = dir.Mkdir(path.Base(name), perm)
		dir.Close()
		if err != nil {
			return nil, err
		}
	}
	if st.staged, err = st.putSources(t); err != nil {
		return nil, err
	}
	if err := st.putLinks(b); err != nil {
		return nil, err
	}
	if err := st.compile(ctx, t); err != nil {
		return nil, err
	}
	known := make(map[string]*content, len(t.files))
	for _, f := range t.files {
		known[f.path] = f.content
	}
	st.bundle = d.load(path.Join(st.certs, d.Bundle), maxBundle)
	if err := st.carry(t); err != nil {
		return nil, err
	}
	st.links = d.readLinks(st.certs, known)
	return st, nil
}

// putSources writes the local files as the tool may take them: certificates in
// clean blocks, each once, whatever else lies in the files. It returns the
// paths that have a counterpart in the stage.
func (st *stage) putSources(t *target) (map[string]string, error) {
	staged := map[string]string{}
	seen := map[root.Fingerprint]bool{}
	for _, f := range t.files {
		if f.vendor != "" {
			for _, b := range f.blocks {
				seen[b.Fingerprint] = true
			}
		}
	}
	for _, f := range t.files {
		if f.vendor != "" {
			continue
		}
		if f.err != nil {
			return nil, fmt.Errorf("cannot read the source file %s: %w", f.path, f.err)
		}
		data, left := clean(f.content, seen)
		for _, l := range left {
			st.notes = append(st.notes, f.path+": "+l)
		}
		if unnameable(f.path) {
			st.notes = append(st.notes, fmt.Sprintf("%q is left out: the platform's refresh stops at its name", f.path))
			continue
		}
		if len(data) == 0 {
			continue
		}
		at := st.local + strings.TrimPrefix(f.path, st.d.Local)
		dir, err := st.d.Host.Ensure(path.Dir(at), 0o755)
		if err != nil {
			return nil, err
		}
		err = dir.Put(path.Base(at), data, 0o644)
		dir.Close()
		if err != nil {
			return nil, err
		}
		staged[f.path] = at
	}
	return staged, nil
}

// clean returns the certificates of a file as the bundle may have them, and
// tells what is wrong with the file. A block with OpenSSL's trust settings
// stays as it is: without them it would say more than it does.
func clean(c *content, seen map[root.Fingerprint]bool) (data []byte, left []string) {
	for _, f := range c.faults {
		what := f.What
		if f.Harm != "" {
			what += " (copied into the bundle: " + f.Harm + ")"
		}
		left = append(left, what)
		if f.Code == "der" {
			return nil, append(left, "left out, as the bundle cannot hold it; Java keeps reading it")
		}
	}
	for _, b := range c.blocks {
		if seen[b.Fingerprint] {
			continue
		}
		seen[b.Fingerprint] = true
		text := c.data[b.Start:b.End]
		if bytes.HasPrefix(text, []byte("-----BEGIN TRUSTED ")) {
			data = append(append(data, bytes.TrimRight(text, "\r\n")...), '\n')
			continue
		}
		data = append(data, mustPEM(b.DER)...)
	}
	if len(left) > 0 {
		left = append(left, fmt.Sprintf("its %d certificates go into the bundle without that", len(c.blocks)))
	}
	return data, left
}

// compile runs the platform's tool on the stage. Neither its words nor its
// exit code are believed.
func (st *stage) compile(ctx context.Context, t *target) error {
	d := st.d
	args := []string{"--localcertsdir", st.local, "--etccertsdir", st.certs, "--hooksdir", path.Join(d.Stage, "hooks"),
		"--certsdir", d.Vendor, "--certsconf", path.Join(d.Stage, "conf")}
	if !errors.Is(t.s.confErr, fs.ErrNotExist) || len(t.conf.data) > 0 {
		if t.s.confErr != nil && !errors.Is(t.s.confErr, fs.ErrNotExist) {
			return fmt.Errorf("cannot read %s: %w", d.Conf, t.s.confErr)
		}
		dir, err := d.Host.Dir(d.Stage)
		if err != nil {
			return err
		}
		err = dir.Put("conf", t.conf.data, 0o644)
		dir.Close()
		if err != nil {
			return err
		}
	}
	r, err := d.Host.Run(ctx, host.Cmd{Path: d.Tool, Args: args, Timeout: d.BuildLimit, Temp: path.Join(d.Stage, "tmp")})
	if err != nil {
		return err
	}
	if said := strings.TrimSpace(string(r.Stderr)); r.Code != 0 || said != "" && t.s.confErr == nil {
		st.notes = append(st.notes, fmt.Sprintf("%s ended with %d and said %q", d.Tool, r.Code, said[:min(len(said), maxNote)]))
	}
	return nil
}

// carry adds to the staged bundle what the live one holds and no file does:
// somebody wrote it there, or lost the file. The platform's tool would drop
// it, and whoever reads it would stop verifying by our doing.
func (st *stage) carry(t *target) error {
	if st.bundle.err != nil || t.s.bundle.err != nil {
		return nil
	}
	seen := map[root.Fingerprint]bool{}
	for _, b := range st.bundle.blocks {
		seen[b.Fingerprint] = true
	}
	data, n := slices.Clone(st.bundle.data), 0
	for _, b := range t.s.bundle.blocks {
		if _, out := t.out[b.Fingerprint]; out || seen[b.Fingerprint] || !t.orphan(b.Fingerprint) {
			continue
		}
		seen[b.Fingerprint] = true
		text := t.s.bundle.data[b.Start:b.End]
		if !bytes.HasPrefix(text, []byte("-----BEGIN TRUSTED ")) {
			text = mustPEM(b.DER)
		}
		data, n = append(append(data, bytes.TrimRight(text, "\r\n")...), '\n'), n+1
	}
	if n == 0 {
		return nil
	}
	dir, err := st.d.Host.Dir(st.certs)
	if err != nil {
		return err
	}
	defer dir.Close()
	if err := dir.Put(st.d.Bundle, data, 0o644); err != nil {
		return err
	}
	st.bundle = st.d.load(path.Join(st.certs, st.d.Bundle), maxBundle)
	st.notes = append(st.notes, fmt.Sprintf("%d certificates in the bundle have no source file; they stay, and any other refresh drops them", n))
	return nil
}
