package dependent

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strings"

	"anchorhold.test/anchorhold/trust/host"
)

// search is one look through a host.
type search struct {
	ctx    context.Context
	host   *host.Host
	holder holders
	unread []Unread
	told   map[Unread]bool

	files int
	bytes int64
}

// place is who named something, and where.
type place struct {
	server, config string
	line           int
}

// missed keeps what was not inspected, once.
func (s *search) missed(p place, name string, r Reason, why string) {
	u := Unread{p.server, p.config, p.line, name, r, why}
	if s.told[u] || len(s.unread) > maxUnread {
		return
	}
	s.told[u] = true
	if len(s.unread) == maxUnread {
		u = Unread{Path: "(others)", Reason: TooMuch, Why: fmt.Sprintf("more than %d things were not inspected; the others are not listed", maxUnread)}
	}
	s.unread = append(s.unread, u)
}

// failed keeps a failure of the file system by its reason.
func (s *search) failed(p place, name string, err error) {
	var at *fs.PathError
	why := err.Error()
	if errors.As(err, &at) {
		why = at.Err.Error()
	}
	switch {
	case errors.Is(err, fs.ErrPermission):
		s.missed(p, name, Forbidden, "only root or its owner can read it")
	case errors.Is(err, fs.ErrNotExist):
		s.missed(p, name, Missing, "it is not there")
	case errors.Is(err, host.ErrTooLarge):
		s.missed(p, name, TooMuch, why)
	default:
		s.missed(p, name, NotRead, why)
	}
}

// read reads a file within the bounds of one search.
func (s *search) read(name string, max int64) ([]byte, error) {
	if err := s.ctx.Err(); err != nil {
		return nil, fmt.Errorf("the time is over: %w", err)
	}
	if s.files++; s.files > maxFiles {
		return nil, fmt.Errorf("%w: more than %d files", host.ErrTooLarge, maxFiles)
	}
	data, err := s.host.ReadFile(name, min(max, maxBytes-s.bytes))
	s.bytes += int64(len(data))
	return data, err
}

// walk is one server's configuration that is being followed.
type walk struct {
	*search
	server  server
	shelves string          // where names of certificates stand, if not in base
	base    string          // where other names stand
	seen    map[string]bool // configurations, by their real paths
}

// servers follows every configuration that is there.
func (s *search) servers() {
	for _, srv := range servers {
		w := walk{search: s, server: srv, seen: map[string]bool{}}
		for _, st := range srv.starts {
			for _, file := range s.expand(place{server: srv.name}, st.pattern, true) {
				w.base, w.shelves = st.folder(file), ""
				w.config(place{server: srv.name}, file, srv.parse, true, 0)
			}
		}
	}
}

// config reads one file of a configuration. Where it is optional, it need not
// be there.
func (w *walk) config(from place, file string, parse parser, optional bool, depth int) {
	real, err := w.host.Resolve(file)
	if errors.Is(err, fs.ErrNotExist) && optional || err == nil && w.seen[real] {
		return
	}
	if err == nil && depth > maxDepth {
		w.missed(from, file, TooMuch, fmt.Sprintf("more than %d configurations take each other in", maxDepth))
		return
	}
	var text []byte
	if err == nil {
		w.seen[real] = true
		text, err = w.read(file, maxConfig)
	}
	if err != nil {
		w.failed(from, file, err)
		return
	}
	if bytes.IndexByte(text, 0) >= 0 {
		w.missed(from, file, NotRead, "it is no text")
		return
	}
	named, whole := parse(text)
	if !whole {
		w.missed(from, file, NotRead, "its end could not be understood: it may name more than was found")
	}
	for _, m := range named {
		w.follow(place{w.server.name, file, m.line}, m, depth)
	}
}

// follow takes one name of a configuration up.
func (w *walk) follow(at place, m mention, depth int) {
	in := w.base
	if w.server.beside {
		in = path.Dir(at.config)
	}
	switch m.kind {
	case lost:
		w.missed(at, m.path, NotFollowed, m.note)
	case base:
		w.base = under(in, m.path)
	case shelfBase:
		w.shelves = under(in, m.path)
	case include, include0:
		w.include(at, under(in, m.path), m.kind == include0, depth)
	case list:
		w.config(at, under(w.shelvesOr(in), m.path), haproxyList, false, depth+1)
	case shelf:
		w.shelf(at, under(w.shelvesOr(in), m.path))
	case certificate, keyStore:
		w.take(at, under(in, m.path), served)
	case chain:
		w.take(at, under(in, m.path), between)
	}
}

func (w *walk) shelvesOr(in string) string {
	if w.shelves != "" {
		return w.shelves
	}
	return in
}

// under is a name within a folder; an absolute one stays.
func under(dir, name string) string {
	if path.IsAbs(name) {
		return path.Clean(name)
	}
	return path.Join(dir, name)
}

// include reads whatever a name stands for: a file, a pattern, a folder.
func (w *walk) include(at place, name string, optional bool, depth int) {
	optional = optional || patterned(name)
	for _, file := range w.expand(at, name, optional) {
		fi, err := w.host.Stat(file)
		if err != nil || !fi.IsDir() {
			w.config(at, file, w.server.parse, optional, depth+1)
			continue
		}
		for _, entry := range w.entries(at, file) {
			w.include(at, path.Join(file, entry), true, depth+1)
		}
	}
}

func patterned(name string) bool { return strings.ContainsAny(name, "*?[") }

// expand returns the paths that fit a pattern, element by element, as glob(7)
// has it: none that begins with a dot, unless the pattern does. A name without
// a pattern is its own path.
func (s *search) expand(p place, pattern string, optional bool) []string {
	paths := []string{"/"}
	elements := strings.Split(strings.Trim(path.Clean(pattern), "/"), "/")
	for i, element := range elements {
		var next []string
		for _, dir := range paths {
			if !patterned(element) {
				next = append(next, path.Join(dir, element))
				continue
			}
			for _, e := range s.entriesIf(p, dir, optional) {
				fits, err := path.Match(element, e)
				if err != nil || !fits || e[0] == '.' && element[0] != '.' {
					continue
				}
				if to := path.Join(dir, e); i == len(elements)-1 || !notFolder(s.host, to) {
					next = append(next, to)
				}
			}
		}
		paths = next
	}
	return paths
}

func (s *search) entries(p place, dir string) []string { return s.entriesIf(p, dir, false) }

// entriesIf lists a folder. Where it is optional, it need not be there.
func (s *search) entriesIf(p place, dir string, optional bool) []string {
	if s.ctx.Err() != nil {
		return nil
	}
	entries, err := s.host.ReadDir(dir)
	if err != nil {
		if !optional || !errors.Is(err, fs.ErrNotExist) && !notFolder(s.host, dir) {
			s.failed(p, dir, err)
		}
		return nil
	}
	if len(entries) > maxNames {
		s.missed(p, dir, TooMuch, fmt.Sprintf("it has more than %d entries", maxNames))
		entries = entries[:maxNames]
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

func notFolder(h *host.Host, name string) bool {
	fi, err := h.Stat(name)
	return err == nil && !fi.IsDir()
}
