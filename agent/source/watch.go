package source

import (
	"errors"
	"fmt"
	"syscall"

	"github.com/fsnotify/fsnotify"
)

// eyes tell when something happens in a folder. A file is never watched
// itself: such a watch goes with the file that is replaced.
type eyes interface {
	Add(dir string) error
	Remove(dir string) error
	Events() <-chan fsnotify.Event
	Errors() <-chan error
	Close() error
}

// system are the eyes of the operating system.
type system struct{ *fsnotify.Watcher }

func (s system) Events() <-chan fsnotify.Event { return s.Watcher.Events }
func (s system) Errors() <-chan error          { return s.Watcher.Errors }

func openSystem() (eyes, error) {
	w, err := fsnotify.NewWatcher()
	if err != nil {
		return nil, err
	}
	return system{w}, nil
}

// lost are folders whose watches may have ended by themselves.
type lost struct {
	all  bool
	dirs []string
}

// maxLost is how many folders are remembered one by one.
const maxLost = 64

// folder notes the end of a watched folder, or that it goes by another name.
func (l *lost) folder(e fsnotify.Event, t trail) {
	if _, ours := t[e.Name]; !ours || e.Op&(fsnotify.Remove|fsnotify.Rename) == 0 {
		return
	}
	if l.dirs = append(l.dirs, e.Name); len(l.dirs) > maxLost {
		*l = lost{all: true}
	}
}

// watched are the folders that the eyes look at.
type watched map[string]bool

// forget ends watches, so that they are made anew.
func (w watched) forget(e eyes, l lost) {
	if l.all {
		for dir := range w {
			l.dirs = append(l.dirs, dir)
		}
	}
	for _, dir := range l.dirs {
		e.Remove(dir) // an error says that it had ended
		delete(w, dir)
	}
}

// sync brings the watches in line with a trail. It reports whether any was
// added, since what happened before that was not seen, and why one could not
// be.
func (w watched) sync(e eyes, t trail) (added bool, err error) {
	for dir := range w {
		if _, wanted := t[dir]; !wanted {
			e.Remove(dir)
			delete(w, dir)
		}
	}
	for dir := range t {
		if w[dir] {
			continue
		}
		if failed := e.Add(dir); failed != nil {
			err = errors.Join(err, failed)
			continue
		}
		w[dir], added = true, true
	}
	return added, err
}

// polled says in words why nothing is heard of changes.
func polled(err error) string {
	const slow = "changes of the policy file are looked for once a minute, not seen at once: "
	switch {
	case errors.Is(err, syscall.ENOSPC):
		return slow + "this machine's limit of watches is reached; raise it: sysctl fs.inotify.max_user_watches"
	case errors.Is(err, syscall.EMFILE):
		return slow + "this machine's limit of watchers is reached; raise it: sysctl fs.inotify.max_user_instances"
	}
	return slow + fmt.Sprintf("its folder cannot be watched: %v", err)
}
