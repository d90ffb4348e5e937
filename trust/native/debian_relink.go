package native

import (
	"fmt"
	"maps"
	"path"
	"slices"
	"sort"
	"strings"

	"anchorhold.test/anchorhold/trust/root"
)

// linkOp is one step in the folder of links: a link is set (target), a name
// moved over another (to), or taken away (neither).
type linkOp struct{ name, target, to string }

// board is the folder of links while steps are worked out on it.
type board struct {
	links
	t   *target
	ops []linkOp
}

// relink works out the steps that bring the roots of the batch into the folder
// of links and take others out. Names of other roots stay, but where one must
// move up so that a lookup meets no hole. Places come first.
func (t *target) relink() *board {
	b := &board{links: t.s.links, t: t}
	b.names = maps.Clone(t.s.links.names)
	if b.names == nil {
		b.names = map[string]*link{}
	}
	for _, w := range sorted(t.in) {
		b.bring(w)
	}
	for _, w := range sorted(t.out) {
		b.drop(w)
	}
	b.mend()
	return b
}

func sorted(m map[root.Fingerprint]wanted) []wanted {
	all := slices.Collect(maps.Values(m))
	sort.Slice(all, func(i, j int) bool { return all[i].change < all[j].change })
	return all
}

func (b *board) set(name, target string, c *content) {
	l := &link{name: name, target: target, content: c, final: c.path}
	l.hash, l.n, _ = hashName(name)
	b.names[name] = l
	b.ops = append(b.ops, linkOp{name: name, target: target})
}

func (b *board) move(from, to *link) {
	moved := *from
	moved.name, moved.hash, moved.n = to.name, to.hash, to.n
	delete(b.names, from.name)
	b.names[to.name] = &moved
	b.ops = append(b.ops, linkOp{name: from.name, to: to.name})
}

func (b *board) remove(l *link) {
	delete(b.names, l.name)
	b.ops = append(b.ops, linkOp{name: l.name})
}

func (b *board) bring(w wanted) {
	f := b.t.via(w.root.Fingerprint)
	if f == nil {
		return
	}
	goal := f.path // what a lookup name points to
	switch was := b.names[f.pem]; {
	case was != nil && was.plain():
		b.t.note(w.change, path.Join(b.dir, f.pem)+" is a file and stays as it is")
	case was == nil || was.gone || was.target != f.path || b.t.write[path.Base(f.path)] != nil && !was.has(w.root.Fingerprint):
		if was == nil || was.target != f.path {
			b.set(f.pem, f.path, f.content)
		} else {
			again := *was
			again.content, again.gone = f.content, false
			b.names[f.pem] = &again
		}
		goal = f.pem
	default:
		goal = f.pem
	}
	if w.hash == "" {
		return
	}
	b.refresh()
	met, _ := b.chain(w.hash)
	if !slices.ContainsFunc(met, func(l *link) bool { return l.has(w.root.Fingerprint) }) {
		if len(f.blocks) > 0 {
			b.set(fmt.Sprintf("%s.%d", w.hash, len(met)), goal, f.content)
		}
	}
	b.compact(w.hash)
}

// refresh follows names again that led nowhere: a link that was just set may
// be what they lead to.
func (b *board) refresh() {
	for name, l := range b.names {
		if !l.gone {
			continue
		}
		if to := b.follow(name, 0); to != "" {
			for _, o := range b.names {
				if !o.gone && o.final == to && o.content != nil {
					again := *l
					again.gone, again.final, again.content = false, to, o.content
					b.names[name] = &again
					break
				}
			}
		}
	}
}

func (b *board) drop(w wanted) {
	var also []*link // after the lookups, which lead through them
	for _, l := range b.sorted() {
		if l.hash == "" && (b.doomed(l, "") || l.gone && b.belongs(l, w)) {
			also = append(also, l)
		}
	}
	if w.hash != "" {
		b.unlist(w.hash)
	}
	for _, l := range also {
		b.remove(l)
	}
}

// unlist takes the lookup names away that lead to doomed certificates or into
// nothing: the last one moves onto each.
func (b *board) unlist(hash string) {
	for {
		all := b.numbered(hash)
		i := slices.IndexFunc(all, func(l *link) bool { return l.gone || b.doomed(l, hash) })
		if i < 0 {
			break
		}
		if last := all[len(all)-1]; last != all[i] && !last.gone && !b.doomed(last, hash) {
			b.move(last, all[i])
		} else {
			b.remove(last)
		}
	}
	b.compact(hash)
}

// doomed reports a name behind which nothing is left once the batch's roots
// are gone. For a lookup name only certificates of its hash count.
func (b *board) doomed(l *link, hash string) bool {
	if l.gone || l.content == nil || len(l.blocks) == 0 {
		return false
	}
	if l.plain() && b.t.cut[l.final] == nil {
		return false
	}
	found := false
	for _, blk := range l.blocks {
		if hash != "" && b.hashes[blk.Fingerprint] != hash {
			continue
		}
		if _, out := b.t.out[blk.Fingerprint]; !out {
			return false
		}
		found = true
	}
	return found
}

// belongs reports a link into nothing that was a root's name.
func (b *board) belongs(l *link, w wanted) bool {
	if l.name == ownName(w.root.Fingerprint)+".pem" {
		return true
	}
	for _, o := range b.numbered(w.hash) {
		if o.gone && o.target == l.name {
			return true
		}
	}
	for _, blk := range b.t.s.java.blocks {
		if blk.Fingerprint == w.root.Fingerprint && strings.EqualFold(blk.Alias, javaPrefix+l.name) {
			return true
		}
	}
	return false
}

// numbered returns HASH.N in order of N.
func (b *board) numbered(hash string) []*link {
	met, lost := b.chain(hash)
	return slices.Concat(met, lost)
}

// compact closes the holes of a lookup: the last name that leads somewhere
// moves onto the hole.
func (b *board) compact(hash string) {
	for {
		met, lost := b.chain(hash)
		i := len(lost) - 1
		for i >= 0 && lost[i].gone {
			i--
		}
		if i < 0 {
			return
		}
		b.move(lost[i], &link{name: fmt.Sprintf("%s.%d", hash, len(met)), hash: hash, n: len(met)})
	}
}
