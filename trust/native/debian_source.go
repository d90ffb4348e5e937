package native

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"sort"
	"strings"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
)

// readSources reads conf, the vendor's files that it names, and every file of
// the local folder that the tool takes.
func (s *state) readSources() {
	d := s.d
	data, fi, err := d.Host.Read(d.Conf, maxConf)
	s.conf, s.confErr = parseConf(data), err
	if err == nil {
		s.confStamp = host.StampOf(fi)
	}
	for _, name := range s.conf.selected() {
		s.files = append(s.files, &source{path: path.Join(d.Vendor, name), vendor: name})
	}
	for _, name := range s.conf.deselected() {
		s.refused = append(s.refused, &source{path: path.Join(d.Vendor, name), vendor: name})
	}
	w := localWalk{d: d}
	w.folder(d.Local, false, nil)
	s.walkErr = w.err
	slices.SortFunc(w.found, func(a, b *source) int { return strings.Compare(a.path, b.path) })
	s.files = append(s.files, w.found...)

	all := slices.Concat(s.files, s.refused)
	each(len(all), func(i int) {
		f := all[i]
		f.content = d.load(f.path, maxSource)
		f.missing = f.vendor != "" && errors.Is(f.err, fs.ErrNotExist)
		f.pem = pemName(f.path)
	})
	d.own(all)
}

// pemName is the name of the link that the tool makes to a file: the base name
// without .crt, blanks and commas as '_', parentheses as '='.
func pemName(file string) string {
	base := path.Base(file)
	if base != ".crt" {
		base = strings.TrimSuffix(base, ".crt")
	}
	return linkName.Replace(base) + ".pem"
}

// linkName is what the tool does to a base name.
var linkName = strings.NewReplacer(" ", "_", ",", "_", "(", "=", ")", "=")

// unnameable reports a path on which the tool itself stumbles: a line end ends
// the whole run with nothing done, on any release; a backslash does up to
// ca-certificates 20230311 (measured).
func unnameable(name string) bool { return strings.ContainsAny(name, "\n\\") }

// localWalk lists what 'find -L FOLDER -type f -name *.crt' finds.
type localWalk struct {
	d     *Debian
	found []*source
	err   error
}

// folder descends; above are the folders on the way, against loops of links.
func (w *localWalk) folder(dir string, linked bool, above []host.Identity) {
	if len(above) > maxDepth || len(w.found) > maxFiles {
		w.fail(fmt.Errorf("cannot list %s: more than %d files, or deeper than %d folders", dir, maxFiles, maxDepth))
		return
	}
	fi, err := w.d.Host.Stat(dir)
	if err == nil {
		id := host.IdentityOf(fi)
		if id != (host.Identity{}) && slices.Contains(above, id) {
			return
		}
		above = append(slices.Clip(above), id)
	}
	entries, err := w.d.Host.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) && dir == w.d.Local {
		return
	}
	w.fail(err)
	for _, e := range entries {
		name, mode, link := path.Join(dir, e.Name()), e.Type(), e.Type()&fs.ModeSymlink != 0
		if link {
			fi, err := w.d.Host.Stat(name)
			if err != nil {
				continue // the tool passes dangling links over
			}
			mode = fi.Mode().Type()
		}
		switch {
		case mode.IsDir():
			w.folder(name, linked || link, above)
		case mode.IsRegular() && strings.HasSuffix(e.Name(), ".crt"):
			w.found = append(w.found, &source{path: name, link: link, folder: linked, origin: trust.FromLocal})
		}
	}
}

func (w *localWalk) fail(err error) {
	if w.err == nil {
		w.err = err
	}
}

// ownerList is the list that nearly always names every file of the vendor's
// folder.
const ownerList = "ca-certificates.list"

// maxLists bounds what is read of dpkg's lists when that one is not enough.
const maxLists = 64 << 20

// own finds which package brought each file of the vendor's folder. One that
// no package owns was put there by somebody (Debian Policy 10.1 has it that
// packages do not share files).
func (d *Debian) own(files []*source) {
	open := map[string]*source{}
	for _, f := range files {
		if f.vendor != "" && !f.missing {
			f.origin = trust.FromLocal
			open[f.path] = f
		}
	}
	if len(open) == 0 {
		return
	}
	left := int64(maxLists)
	d.claim(ownerList, open, &left)
	if len(open) == 0 {
		return
	}
	entries, err := d.Host.ReadDir(d.Packages)
	if err != nil {
		return
	}
	sort.SliceStable(entries, func(i, j int) bool {
		return strings.HasPrefix(entries[i].Name(), "ca-") && !strings.HasPrefix(entries[j].Name(), "ca-")
	})
	for _, e := range entries {
		if len(open) == 0 || left <= 0 {
			return
		}
		if strings.HasSuffix(e.Name(), ".list") && e.Name() != ownerList {
			d.claim(e.Name(), open, &left)
		}
	}
}

// claim takes the files that one package's list names off open.
func (d *Debian) claim(list string, open map[string]*source, left *int64) {
	f, err := d.Host.Open(path.Join(d.Packages, list))
	if err != nil {
		return
	}
	defer f.Close()
	in := &io.LimitedReader{R: f, N: *left}
	for lines := bufio.NewScanner(in); lines.Scan(); {
		if s, ok := open[lines.Text()]; ok {
			pkg, _, _ := strings.Cut(strings.TrimSuffix(list, ".list"), ":") // "name:arch" for some
			s.origin, s.pkg = trust.FromPackage, pkg
			delete(open, s.path)
		}
	}
	*left = in.N
}
