package native

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strings"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
)

// Bounds of what is read of a store.
const (
	maxConf   = 1 << 20  // /etc/ca-certificates.conf
	maxSource = 4 << 20  // one file of the source, or behind a link
	maxBundle = 64 << 20 // the bundle, or Java's key store
	maxFiles  = 10_000   // files of the source
	maxDepth  = 32       // folders within folders
)

// state is a store as it was read. The snapshot is made from it, and changes
// are worked out on it.
type state struct {
	d         *Debian
	conf      conf
	confErr   error // why it could not be read, fs.ErrNotExist included
	confStamp host.Stamp
	files     []*source // what the tool takes, in its order
	refused   []*source // files of the vendor's folder that conf deselects
	walkErr   error     // why the local folder could not be read
	bundle    *content
	links     links
	java      *content
	javaUse   bool   // Java's store is there and kept by its hook
	javaOff   string // why it is not kept
	faults    []trust.Fault
}

// source is one file that the tool puts into the compiled store, or would.
type source struct {
	path    string // as the tool names it
	vendor  string // its name in conf; empty for a file of the local folder
	origin  trust.Origin
	pkg     string
	pem     string // the link that the tool makes to it, within Certs
	folder  bool   // reached through a linked folder
	link    bool   // itself a link
	missing bool   // listed in conf and not there
	*content
}

// content is what a file holds.
type content struct {
	path    string
	data    []byte
	stamp   host.Stamp
	mode    fs.FileMode
	blocks  []root.Block
	faults  []root.Fault
	blocked *trust.Blocked
	err     error // why it could not be read
}

// has reports whether the content holds a root.
func (c *content) has(fp root.Fingerprint) bool {
	if c == nil {
		return false
	}
	for _, b := range c.blocks {
		if b.Fingerprint == fp {
			return true
		}
	}
	return false
}

// shared reports whether the content holds more than one certificate.
func (c *content) shared() bool {
	for _, b := range c.blocks {
		if b.Fingerprint != c.blocks[0].Fingerprint {
			return true
		}
	}
	return false
}

// load reads a file for the store.
func (d *Debian) load(name string, max int64) *content {
	data, fi, err := d.Host.Read(name, max)
	c := &content{path: name, data: data, err: err}
	if fi != nil {
		c.stamp, c.mode = host.StampOf(fi), fi.Mode()
	}
	if err == nil {
		c.blocks, c.faults = root.Scan(data)
	}
	return c
}

// read reads the whole store.
func (d *Debian) read(ctx context.Context) (*state, error) {
	s := &state{d: d}
	if _, err := d.Host.Stat(d.Certs); errors.Is(err, fs.ErrNotExist) {
		if _, err := d.Host.Stat(d.Tool); errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("cannot observe store %s: neither %s nor %s is there: %w", d.ID(), d.Certs, d.Tool, trust.ErrAbsent)
		}
	}
	both(
		s.readSources,
		func() {
			s.links = d.listLinks(d.Certs)
			s.bundle = d.load(path.Join(d.Certs, d.Bundle), maxBundle)
			s.readJava()
		},
	)
	s.links.resolve(d, s.byPath())
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("cannot observe store %s: %w", d.ID(), err)
	}
	s.reach()
	s.lookAround()
	return s, nil
}

func (s *state) byPath() map[string]*content {
	m := make(map[string]*content, len(s.files))
	for _, f := range s.files {
		m[f.path] = f.content
	}
	return m
}

// reach works out what keeps accounts without privileges from each file.
func (s *state) reach() {
	var paths [workers]*host.Paths // each remembers the folders that it saw
	for w := range paths {
		paths[w] = s.d.Host.Paths(nil)
	}
	rooms := s.d.rooms()
	find := func(p *host.Paths, name string) *trust.Blocked {
		stop, err := p.Reach(name)
		if err != nil || stop == nil {
			return nil // what could not be followed is told where it is read
		}
		return &trust.Blocked{Path: stop.Path, Mode: stop.Mode, Want: stop.Missing, ByHand: !within(stop.Path, rooms)}
	}
	eachBy(len(s.files), func(w, i int) { s.files[i].blocked = find(paths[w], s.files[i].path) })
	at := func(name string) *trust.Blocked { return find(paths[0], name) }
	s.links.blocked = at(s.links.dir)
	for _, c := range s.links.contents {
		if c.blocked == nil {
			c.blocked = at(c.path)
		}
	}
	s.bundle.blocked = at(s.bundle.path)
	s.java.blocked = at(s.java.path)
}

// staleAfter is how long a half-made bundle must have lain untouched before it
// counts as left over: a refresh that is under way appends to it all the time,
// but for the moment when it makes the links.
const staleAfter = 2 * time.Second

// leftover reports a half-made bundle that no running refresh owns. The tool
// would append to it.
func (d *Debian) leftover() (name string, there, stale bool) {
	name = d.Bundle + ".new"
	fi, err := d.Host.Lstat(path.Join(d.Certs, name))
	if err != nil {
		return name, false, false
	}
	age := d.Now().Sub(fi.ModTime())
	return name, true, len(d.refreshing()) == 0 && (age > staleAfter || age < 0)
}

// lookAround looks for what is wrong beside the certificates.
func (s *state) lookAround() {
	d := s.d
	if name, there, stale := d.leftover(); there {
		s.faults = append(s.faults, trust.Fault{Code: "half-made-bundle", Path: path.Join(d.Certs, name),
			What: "a refresh has not finished, or died",
			Harm: "the next refresh appends to it; one that was torn makes the whole bundle unusable for OpenSSL and GnuTLS",
			Next: "the next enforcement removes it once no refresh runs", Mend: stale})
	}
	switch {
	case errors.Is(s.confErr, fs.ErrNotExist):
		s.confFault("missing-conf", "it is missing")
	case s.confErr == nil && len(s.conf.data) == 0:
		s.confFault("empty-conf", "it is empty")
	case s.confErr == nil && len(s.conf.selected()) > 0 && s.none():
		s.confFault("conf-finds-nothing", "none of the files that it lists is there (are its lines ended by CR?)")
	case s.confErr == nil && len(s.conf.data) > 0 && s.conf.data[len(s.conf.data)-1] != '\n':
		s.faults = append(s.faults, trust.Fault{Code: "conf-without-end", Path: d.Conf, What: "its last line has no end",
			Harm: "the platform's tool does not see that line", Next: "end the line"})
	}
}

func (s *state) confFault(code, what string) {
	s.faults = append(s.faults, trust.Fault{Code: code, Path: s.d.Conf, What: what,
		Harm: "a refresh with one local root compiles a bundle of that root alone: public servers no longer verify",
		Next: "restore the file, or run 'dpkg-reconfigure ca-certificates'"})
}

// none reports that no selected file of the vendor's is there.
func (s *state) none() bool {
	for _, f := range s.files {
		if f.vendor != "" && !f.missing {
			return false
		}
	}
	return true
}

// readJava reads Java's key store, where the host has one.
func (s *state) readJava() {
	d := s.d
	s.java = d.load(d.Java, maxBundle)
	gone := errors.Is(s.java.err, fs.ErrNotExist)
	_, err := d.Host.Stat(path.Join(d.Hooks, d.JavaHook))
	hook := err == nil
	if text, err := d.Host.ReadFile(d.JavaConf, maxConf); err == nil {
		for line := range strings.Lines(string(text)) {
			if v, ok := strings.CutPrefix(strings.TrimSpace(line), "cacerts_updates="); ok && strings.Trim(v, `"'`) != "yes" {
				s.javaOff = d.JavaConf + " keeps it out of updates"
			}
		}
	}
	if _, err := d.Host.Stat(d.JRE); err != nil && gone && s.javaOff == "" {
		s.javaOff = "there is no Java runtime"
	}
	if !hook && gone {
		s.javaOff = "there is none"
	}
	s.javaUse = s.javaOff == "" && (hook || !gone)
}
