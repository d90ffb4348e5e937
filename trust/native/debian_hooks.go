package native

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"regexp"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
)

// hookName is what run-parts takes without further options (run-parts(8)).
var hookName = regexp.MustCompile(`^[a-zA-Z0-9_-]+$`)

// hookLines are what the platform tells its hooks: '+' and '-' with the path
// of a link. They are worked out from what Java has, as its hook forgets
// nothing unless told (measured): a link that went long ago is told as well.
func (g *golive) hookLines() []string {
	var plus, minus []string
	at := func(name string) string { return path.Join(g.d.Certs, name) }
	for _, w := range sorted(g.t.in) {
		f := g.t.via(w.root.Fingerprint)
		if f == nil || g.t.s.java.has(w.root.Fingerprint) {
			continue
		}
		fresh := slices.ContainsFunc(g.b.ops, func(op linkOp) bool { return op.name == f.pem && op.target != "" })
		if fresh || g.t.s.javaUse {
			plus = append(plus, "+"+at(f.pem))
		}
	}
	told := map[string]bool{}
	for _, blk := range g.t.s.java.blocks {
		name, ours := strings.CutPrefix(blk.Alias, javaPrefix)
		if _, out := g.t.out[blk.Fingerprint]; out && ours && !strings.ContainsAny(name, "/\n\r") {
			minus = append(minus, "-"+at(name))
			told[strings.ToLower(name)] = true
		}
	}
	for _, op := range g.b.ops {
		if op.target == "" && op.to == "" && strings.HasSuffix(op.name, ".pem") && !told[strings.ToLower(op.name)] && !g.aliased(op.name) {
			minus = append(minus, "-"+at(op.name))
		}
	}
	return append(plus, minus...)
}

// aliased reports that Java holds some root under a link's name: one that is
// not to go, as those that are were told before.
func (g *golive) aliased(name string) bool {
	return slices.ContainsFunc(g.t.s.java.blocks, func(b root.Block) bool { return strings.EqualFold(b.Alias, javaPrefix+name) })
}

// runHooks runs the platform's hooks once, as its tool would, when there is
// something to tell them. Hooks are never ended: Java's would leave a torn
// store and a package half configured.
func (g *golive) runHooks(ctx context.Context, changed bool) {
	missed, err := g.resume(ctx)
	if err != nil {
		g.java = fmt.Errorf("the store of Java is pending: %w", err)
		g.notes = append(g.notes, g.java.Error())
	} else {
		defer g.letJavaGo()
	}
	lines := g.hookLines()
	for _, l := range missed {
		if !slices.Contains(lines, l) {
			lines = append(lines, l)
		}
	}
	if len(lines) == 0 && !changed {
		return
	}
	entries, err := g.d.Host.ReadDir(g.d.Hooks)
	if errors.Is(err, fs.ErrNotExist) {
		return
	}
	if err != nil {
		g.java = fmt.Errorf("cannot read %s: %w", g.d.Hooks, err)
		return
	}
	for _, e := range entries {
		name := path.Join(g.d.Hooks, e.Name())
		fi, err := g.d.Host.Stat(name)
		if err != nil || !fi.Mode().IsRegular() || fi.Mode().Perm()&0o111 == 0 || !hookName.MatchString(e.Name()) {
			continue
		}
		java := e.Name() == g.d.JavaHook
		if java && len(lines) == 0 {
			continue // it would start Java's tool for nothing
		}
		if java && g.t.s.shutJava() { // it would fail, and leave its package half configured (measured with another password)
			g.notes = append(g.notes, g.d.Java+" was left as it is: "+g.t.s.java.faults[0].What)
			continue
		}
		if java {
			if err := g.d.wait(ctx, g.d.Host.DpkgBusy); err != nil {
				g.java = fmt.Errorf("the store of Java is pending: %w; the next enforcement brings it up to date", err)
				continue
			}
		}
		if java {
			if err := g.keepJava(); err != nil {
				g.java = fmt.Errorf("the store of Java is pending: cannot keep a copy of it: %w", err)
				continue
			}
		}
		err = g.runHook(ctx, name, lines)
		if java && err == nil {
			g.finishJava(ctx, lines)
		}
		if java {
			g.java, g.kept.err = err, err
			if g.kept.was == nil {
				g.kept.was = g.t.s.java
			}
		}
		if err != nil {
			g.notes = append(g.notes, err.Error())
		}
	}
	g.syncJava()
}

func (g *golive) runHook(ctx context.Context, name string, lines []string) error {
	stdin := []byte(strings.Join(lines, "\n") + "\n")
	if len(lines) == 0 {
		stdin = nil
	}
	r, err := g.d.Host.Run(ctx, host.Cmd{Path: name, Stdin: stdin, Timeout: g.d.HookLimit, Spare: true})
	if err != nil {
		return err
	}
	if r.Code != 0 {
		said := strings.TrimSpace(string(r.Stderr))
		return fmt.Errorf("the platform's hook %s ended with %d and said %q", name, r.Code, said[:min(len(said), maxNote)])
	}
	return nil
}

// syncJava makes durable what the hook wrote: keytool writes in place and does
// not sync.
func (g *golive) syncJava() {
	dir, err := g.d.Host.Dir(path.Dir(g.d.Java))
	if err != nil {
		return // no Java on this host
	}
	defer dir.Close()
	err = dir.SyncFile(path.Base(g.d.Java))
	if err == nil {
		err = dir.Sync()
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		g.notes = append(g.notes, fmt.Sprintf("cannot make %s durable: %v", g.d.Java, err))
	}
}
