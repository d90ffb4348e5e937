package native

import (
	"errors"
	"io/fs"
	"path"
	"sort"
	"strconv"
	"strings"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// links is a folder in which OpenSSL looks certificates up by the hash of
// their subject (X509_LOOKUP_hash_dir(3)): it tries HASH.0, HASH.1 and so on
// until one is not there.
type links struct {
	dir      string
	err      error
	names    map[string]*link
	contents []*content                  // every file that a name leads to, each once
	hashes   map[root.Fingerprint]string // of every certificate in contents
	blocked  *trust.Blocked
}

// link is one name in the folder.
type link struct {
	name   string
	target string // what the link says; empty for a plain file
	hash   string // for HASH.N
	n      int
	final  string // the path behind all links
	*content
	gone bool // there is no file behind it
}

// hashName takes HASH.N apart: eight small hexadecimal digits, and a number of
// one to nine.
func hashName(name string) (hash string, n int, ok bool) {
	hash, digits, found := strings.Cut(name, ".")
	if !found || len(hash) != 8 || strings.Trim(hash, "0123456789abcdef") != "" ||
		len(digits) == 0 || len(digits) > 9 || strings.Trim(digits, "0123456789") != "" {
		return "", -1, false
	}
	n, err := strconv.Atoi(digits)
	return hash, n, err == nil
}

// plain reports a certificate file that lies in the folder itself.
func (l *link) plain() bool { return l.target == "" }

// readLinks reads such a folder. known are contents that were read already.
func (d *Debian) readLinks(dir string, known map[string]*content) links {
	ls := d.listLinks(dir)
	ls.resolve(d, known)
	return ls
}

// listLinks reads the names in such a folder and what each link says.
func (d *Debian) listLinks(dir string) links {
	ls := links{dir: dir, names: map[string]*link{}}
	entries, err := d.Host.ReadDir(dir)
	if err != nil {
		ls.err = err
		return ls
	}
	for _, e := range entries {
		l := &link{name: e.Name()}
		l.hash, l.n, _ = hashName(l.name)
		switch {
		case e.Type()&fs.ModeSymlink != 0:
			if l.target, err = d.Host.Readlink(path.Join(dir, l.name)); err != nil {
				continue // it went away meanwhile
			}
		case !d.linkName(e):
			continue
		}
		ls.names[l.name] = l
	}
	return ls
}

// linkName reports a name that stands for certificates among the links: not
// the bundle and its copies, nor what a dead run left.
func (d *Debian) linkName(e fs.DirEntry) bool {
	if e.Type()&fs.ModeSymlink != 0 {
		return true
	}
	name := e.Name()
	return e.Type().IsRegular() && name != d.Bundle && !strings.HasPrefix(name, d.Bundle+".") && !strings.HasPrefix(name, ".anchorhold-")
}

// resolve follows every name and reads what is behind it.
func (ls *links) resolve(d *Debian, known map[string]*content) {
	files := map[string]*content{}
	for _, l := range ls.sorted() {
		if l.final = ls.follow(l.name, 0); l.final == "" {
			l.gone = true
			continue
		}
		if c := known[l.final]; c != nil {
			files[l.final] = c
		} else if files[l.final] == nil {
			files[l.final] = &content{path: l.final}
		}
		l.content = files[l.final]
	}
	ls.load(d, files)
}

// follow returns where a name leads within the folder: to a plain file of it,
// or to the first path outside; nowhere is "".
func (ls links) follow(name string, depth int) string {
	l := ls.names[name]
	switch {
	case l == nil || depth > maxDepth:
		return ""
	case l.plain():
		return path.Join(ls.dir, name)
	case path.IsAbs(l.target) && path.Dir(l.target) == ls.dir:
		return ls.follow(path.Base(l.target), depth+1)
	case path.IsAbs(l.target):
		return l.target
	case !strings.Contains(l.target, "/"):
		return ls.follow(l.target, depth+1)
	}
	return path.Join(ls.dir, l.target)
}

func (ls links) sorted() []*link {
	all := make([]*link, 0, len(ls.names))
	for _, l := range ls.names {
		all = append(all, l)
	}
	sort.Slice(all, func(i, j int) bool { return all[i].name < all[j].name })
	return all
}

// load reads what was not read before and works out all hashes.
func (ls *links) load(d *Debian, files map[string]*content) {
	paths := make([]string, 0, len(files))
	for p := range files {
		paths = append(paths, p)
	}
	sort.Strings(paths)
	hashes := make([][]string, len(paths))
	each(len(paths), func(i int) {
		c := files[paths[i]]
		if c.data == nil && c.err == nil {
			*c = *d.load(c.path, maxSource)
		}
		for _, b := range c.blocks {
			hashes[i] = append(hashes[i], subjectHash(b.DER))
		}
	})
	ls.hashes = make(map[root.Fingerprint]string, len(paths))
	for i, p := range paths {
		c := files[p]
		ls.contents = append(ls.contents, c)
		for j, b := range c.blocks {
			ls.hashes[b.Fingerprint] = hashes[i][j]
		}
	}
	for _, l := range ls.names {
		if l.content != nil && errors.Is(l.err, fs.ErrNotExist) {
			l.gone = true
		}
	}
}

// subjectHash is the hash by which OpenSSL looks a certificate up, or "".
func subjectHash(der []byte) string { return root.SubjectHashOf(der) }

// chain returns the links HASH.0, HASH.1 ... that a lookup meets, and those
// behind the first hole, which it does not.
func (ls links) chain(hash string) (met, lost []*link) {
	var all []*link
	for _, l := range ls.names {
		if l.hash == hash && l.numbered() {
			all = append(all, l)
		}
	}
	return split(all)
}

// numbered reports a name by which a lookup asks: HASH.N without further zeros.
func (l *link) numbered() bool {
	return l.hash != "" && l.name[len(l.hash)+1:] == strconv.Itoa(l.n)
}

// chains returns the links of every lookup by its hash, in order of their
// numbers.
func (ls links) chains() map[string][]*link {
	all := map[string][]*link{}
	for _, l := range ls.names {
		if l.numbered() {
			all[l.hash] = append(all[l.hash], l)
		}
	}
	return all
}

// split parts the links of one lookup at the first hole.
func split(all []*link) (met, lost []*link) {
	sort.Slice(all, func(i, j int) bool { return all[i].n < all[j].n })
	for i, l := range all {
		if l.n != i || l.gone {
			return all[:i], all[i:]
		}
	}
	return all, nil
}
