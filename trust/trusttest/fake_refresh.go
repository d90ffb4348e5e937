package trusttest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"regexp"
	"sort"
	"strings"

	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
)

// Places of the fake, as on the real system.
const (
	fakeConf   = "/etc/ca-certificates.conf"
	fakeVendor = "/usr/share/ca-certificates"
	fakeLocal  = "/usr/local/share/ca-certificates"
	fakeCerts  = "/etc/ssl/certs"
	fakeBundle = "ca-certificates.crt"
	fakeHooks  = "/etc/ca-certificates/update.d"
	fakeTool   = "/usr/sbin/update-ca-certificates"
	fakeJava   = fakeCerts + "/java/cacerts"
)

// refreshing is one run of the scripted refresh. It follows the script of
// ca-certificates 20230311 step by step, its faults included: it trusts its
// temporary file, knows no lock, and exits 0 whatever happens.
type refreshing struct {
	f                                 *Fake
	conf, vendor, local, certs, hooks string
	fresh                             bool
	added, removed                    []string
}

func (f *Fake) refresh(ctx context.Context, c host.Cmd) (host.Result, error) {
	r := &refreshing{f: f, conf: fakeConf, vendor: fakeVendor, local: fakeLocal, certs: fakeCerts, hooks: fakeHooks}
	options := map[string]*string{"--certsconf": &r.conf, "--certsdir": &r.vendor, "--localcertsdir": &r.local, "--etccertsdir": &r.certs, "--hooksdir": &r.hooks}
	for i := 0; i < len(c.Args); i++ {
		switch a := c.Args[i]; {
		case a == "--fresh" || a == "-f":
			r.fresh = true
		case a == "--verbose" || a == "-v":
		case options[a] != nil && i+1 < len(c.Args):
			i++
			*options[a] = c.Args[i]
		default:
			return host.Result{Stdout: []byte("usage\n")}, nil
		}
	}
	if err := r.run(ctx); err != nil {
		if errors.Is(err, ErrDied) {
			return host.Result{}, err
		}
		return host.Result{Code: 2, Stderr: []byte(err.Error())}, nil
	}
	return host.Result{Stdout: fmt.Appendf(nil, "%d added, %d removed; done.\n", len(r.added), len(r.removed))}, nil
}

func (r *refreshing) run(ctx context.Context) error {
	conf, err := r.f.ReadFile(r.conf, 1<<20)
	if err != nil || len(conf) == 0 {
		r.fresh = true
	}
	if r.fresh {
		if err := r.clear(); err != nil {
			return err
		}
	}
	for _, line := range whole(conf) {
		if name, ok := strings.CutPrefix(line, "!"); ok {
			if err := r.remove(path.Join(r.vendor, strings.TrimSpace(name))); err != nil {
				return err
			}
		}
	}
	for _, line := range whole(conf) {
		if line == "" || line[0] == '#' || line[0] == '!' {
			continue
		}
		crt := path.Join(r.vendor, strings.TrimSpace(line))
		if fi, err := r.f.Stat(crt); err != nil || !fi.Mode().IsRegular() {
			continue
		}
		if err := r.add(crt); err != nil {
			return err
		}
	}
	for _, crt := range r.found(r.local) {
		if strings.ContainsAny(crt, "\n\\") {
			return fmt.Errorf("sed: can't read %q", crt)
		}
		if err := r.add(crt); err != nil {
			return err
		}
	}
	if len(r.added)+len(r.removed) > 0 {
		if err := r.rehash(); err != nil {
			return err
		}
	}
	if fi, err := r.f.Lstat(path.Join(r.certs, fakeBundle+".new")); err == nil && fi.Mode().IsRegular() {
		if err := r.effect("rename", fakeBundle, func(at string) error {
			return os.Rename(at+".new", at)
		}); err != nil {
			return err
		}
	}
	return r.callHooks(ctx)
}

// whole returns the lines that have an end.
func whole(data []byte) []string {
	lines := strings.Split(string(data), "\n")
	return lines[:len(lines)-1]
}

// effect does something to one name of the compiled store.
func (r *refreshing) effect(op, name string, do func(at string) error) error {
	if err := r.f.step(op, path.Join(r.certs, name)); err != nil {
		return err
	}
	return do(r.f.Real(path.Join(r.certs, name)))
}

// found is 'find -L DIR -type f -name *.crt | sort'.
func (r *refreshing) found(dir string) []string {
	var all []string
	entries, _ := r.f.ReadDir(dir)
	for _, e := range entries {
		name := path.Join(dir, e.Name())
		fi, err := r.f.Stat(name)
		switch {
		case err != nil:
		case fi.IsDir():
			all = append(all, r.found(name)...)
		case fi.Mode().IsRegular() && strings.HasSuffix(name, ".crt"):
			all = append(all, name)
		}
	}
	sort.Strings(all)
	return all
}

func (r *refreshing) add(crt string) error {
	base := path.Base(crt)
	if base != ".crt" {
		base = strings.TrimSuffix(base, ".crt")
	}
	name := strings.NewReplacer(" ", "_", ",", "_", "(", "=", ")", "=").Replace(base) + ".pem"
	link := path.Join(r.certs, name)
	target, err := r.f.Readlink(link)
	if _, gone := r.f.Stat(link); err != nil || gone != nil || target != crt {
		if err := r.effect("link", name, func(at string) error {
			os.Remove(at)
			return os.Symlink(crt, at)
		}); err != nil {
			return err
		}
		r.added = append(r.added, link)
	}
	data, err := r.f.ReadFile(crt, 1<<20)
	if err != nil {
		return err
	}
	if len(data) > 0 && data[len(data)-1] != '\n' {
		data = append(data, '\n')
	}
	return r.effect("append", fakeBundle+".new", func(at string) error {
		f, err := os.OpenFile(at, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
		if err != nil {
			return err
		}
		defer f.Close()
		_, err = f.Write(data)
		return err
	})
}

func (r *refreshing) remove(crt string) error {
	name := strings.TrimSuffix(path.Base(crt), ".crt") + ".pem"
	if _, err := r.f.Readlink(path.Join(r.certs, name)); err != nil {
		return nil
	}
	r.removed = append(r.removed, path.Join(r.certs, name))
	return r.effect("remove", name, os.Remove)
}

// links lists the links of the compiled store.
func (r *refreshing) links() []string {
	var names []string
	entries, _ := r.f.ReadDir(r.certs)
	for _, e := range entries {
		if e.Type()&fs.ModeSymlink != 0 {
			names = append(names, e.Name())
		}
	}
	return names
}

func (r *refreshing) clear() error {
	for _, name := range r.links() {
		target, _ := r.f.Readlink(path.Join(r.certs, name))
		if strings.HasPrefix(target, r.vendor) || strings.HasPrefix(target, r.local) {
			if err := r.effect("remove", name, os.Remove); err != nil {
				return err
			}
		}
	}
	return r.orphans()
}

func (r *refreshing) orphans() error {
	for _, name := range r.links() {
		if _, err := r.f.Stat(path.Join(r.certs, name)); err != nil {
			if err := r.effect("remove", name, os.Remove); err != nil {
				return err
			}
		}
	}
	return nil
}

var lookupName = regexp.MustCompile(`^[0-9a-f]{8}\.r?[0-9]+$`)

// rehash is 'openssl rehash': names by hash for files of one certificate, each
// certificate once.
func (r *refreshing) rehash() error {
	if err := r.orphans(); err != nil {
		return err
	}
	for _, name := range r.links() {
		if lookupName.MatchString(name) {
			if err := r.effect("remove", name, os.Remove); err != nil {
				return err
			}
		}
	}
	entries, _ := r.f.ReadDir(r.certs)
	next, seen := map[string]int{}, map[root.Fingerprint]bool{}
	for _, e := range entries {
		if ext := path.Ext(e.Name()); ext != ".pem" && ext != ".crt" && ext != ".cer" {
			continue
		}
		data, err := r.f.ReadFile(path.Join(r.certs, e.Name()), 1<<24)
		if err != nil || bytes.Count(data, []byte("-----BEGIN")) != 1 {
			continue
		}
		blocks, _ := root.Scan(data)
		if len(blocks) != 1 || seen[blocks[0].Fingerprint] {
			continue
		}
		seen[blocks[0].Fingerprint] = true
		c, err := root.Parse(blocks[0].DER)
		if err != nil {
			continue
		}
		hash := c.SubjectHash()
		name := fmt.Sprintf("%s.%d", hash, next[hash])
		next[hash]++
		if err := r.effect("link", name, func(at string) error { return os.Symlink(e.Name(), at) }); err != nil {
			return err
		}
	}
	return nil
}

func (r *refreshing) callHooks(ctx context.Context) error {
	var lines strings.Builder
	for _, name := range r.added {
		fmt.Fprintln(&lines, "+"+name)
	}
	for _, name := range r.removed {
		fmt.Fprintln(&lines, "-"+name)
	}
	entries, _ := r.f.ReadDir(r.hooks)
	for _, e := range entries {
		if strings.Contains(e.Name(), ".") {
			continue
		}
		if _, err := r.f.run(ctx, host.Cmd{Path: path.Join(r.hooks, e.Name()), Stdin: []byte(lines.String())}); errors.Is(err, ErrDied) {
			return err
		}
	}
	return nil
}
