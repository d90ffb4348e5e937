package source

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust/trusttest"
)

// replacing is one way in which people and programs replace a file.
type replacing struct {
	name string
	// lay puts "one" below dir and returns the path that is watched.
	lay func(t *testing.T, dir string) string
	// change makes it "the other".
	change func(t *testing.T, dir, path string)
}

func plainFile(t *testing.T, dir string) string {
	path := filepath.Join(dir, "conf", "harbour.policy")
	put(t, path, "one")
	return path
}

func linked(t *testing.T, dir string) string {
	put(t, filepath.Join(dir, "releases/41/harbour.policy"), "one")
	put(t, filepath.Join(dir, "releases/42/harbour.policy"), "the other")
	must(t, os.Symlink("releases/41", filepath.Join(dir, "current")))
	return filepath.Join(dir, "current", "harbour.policy")
}

// volume is a mounted volume as an orchestrator keeps it: a link to a link to
// a dated folder.
func volume(t *testing.T, dir string) string {
	put(t, filepath.Join(dir, "..2026_1/harbour.policy"), "one")
	must(t, os.Symlink("..2026_1", filepath.Join(dir, "..data")))
	must(t, os.Symlink("..data/harbour.policy", filepath.Join(dir, "harbour.policy")))
	return filepath.Join(dir, "harbour.policy")
}

var replacings = []replacing{
	{"renamed over it", plainFile, func(t *testing.T, dir, path string) {
		put(t, path+".new", "the other")
		must(t, os.Rename(path+".new", path))
	}},
	{"moved in from elsewhere", plainFile, func(t *testing.T, dir, path string) {
		put(t, filepath.Join(dir, "else/x"), "the other")
		must(t, os.Rename(filepath.Join(dir, "else/x"), path))
	}},
	{"truncated and written", plainFile, func(t *testing.T, dir, path string) { put(t, path, "the other") }},
	{"written in pieces", plainFile, func(t *testing.T, dir, path string) {
		w, err := os.Create(path)
		must(t, err)
		for _, b := range []byte("the other") {
			_, err := w.Write([]byte{b})
			must(t, err)
			time.Sleep(30 * time.Millisecond)
		}
		must(t, w.Close())
	}},
	{"deleted and created", plainFile, func(t *testing.T, dir, path string) {
		must(t, os.Remove(path))
		put(t, path, "the other")
	}},
	{"deleted, and created a little later", plainFile, func(t *testing.T, dir, path string) {
		must(t, os.Remove(path))
		time.Sleep(200 * time.Millisecond)
		put(t, path, "the other")
	}},
	{"linked over it", plainFile, func(t *testing.T, dir, path string) {
		put(t, filepath.Join(dir, "else/x"), "the other")
		swap(t, path, "../else/x")
	}},
	{"a hard link over it", plainFile, func(t *testing.T, dir, path string) {
		put(t, filepath.Join(dir, "else/x"), "the other")
		must(t, os.Link(filepath.Join(dir, "else/x"), path+".next"))
		must(t, os.Rename(path+".next", path))
	}},
	{"folder deleted and made anew", plainFile, func(t *testing.T, dir, path string) {
		must(t, os.RemoveAll(filepath.Dir(path)))
		put(t, path, "the other")
	}},
	{"folder swapped for another", plainFile, func(t *testing.T, dir, path string) {
		put(t, filepath.Join(dir, "conf.new/harbour.policy"), "the other")
		must(t, os.Rename(filepath.Join(dir, "conf"), filepath.Join(dir, "conf.old")))
		must(t, os.Rename(filepath.Join(dir, "conf.new"), filepath.Join(dir, "conf")))
	}},
	{"folder swapped, file written later", plainFile, func(t *testing.T, dir, path string) {
		must(t, os.Rename(filepath.Join(dir, "conf"), filepath.Join(dir, "conf.old")))
		must(t, os.Mkdir(filepath.Join(dir, "conf"), 0o755))
		time.Sleep(100 * time.Millisecond)
		put(t, path, "the other")
	}},
	{"link to a folder swapped", linked, func(t *testing.T, dir, path string) {
		swap(t, filepath.Join(dir, "current"), "releases/42")
	}},
	{"link to a folder swapped, old one deleted", linked, func(t *testing.T, dir, path string) {
		swap(t, filepath.Join(dir, "current"), filepath.Join(dir, "releases", "42"))
		must(t, os.RemoveAll(filepath.Join(dir, "releases", "41")))
	}},
	{"file behind a link to a folder", linked, func(t *testing.T, dir, path string) {
		put(t, filepath.Join(dir, "releases/41/new"), "the other")
		must(t, os.Rename(filepath.Join(dir, "releases/41/new"), filepath.Join(dir, "releases/41/harbour.policy")))
	}},
	{"volume swapped", volume, func(t *testing.T, dir, path string) {
		put(t, filepath.Join(dir, "..2026_2/harbour.policy"), "the other")
		swap(t, filepath.Join(dir, "..data"), "..2026_2")
		must(t, os.RemoveAll(filepath.Join(dir, "..2026_1")))
	}},
	{"volume swapped, file missing for a moment", volume, func(t *testing.T, dir, path string) {
		must(t, os.Mkdir(filepath.Join(dir, "..2026_2"), 0o755))
		swap(t, filepath.Join(dir, "..data"), "..2026_2")
		time.Sleep(200 * time.Millisecond)
		put(t, filepath.Join(dir, "..2026_2/harbour.policy"), "the other")
	}},
}

// replaceAll plays every way of replacing below a folder of some file system:
// while the watcher waits, or before it is asked what is new.
func replaceAll(t *testing.T, base string, waits ...bool) {
	for _, r := range replacings {
		for _, meanwhile := range waits {
			t.Run(fmt.Sprintf("%s, waiting %v", r.name, meanwhile), func(t *testing.T) {
				t.Parallel()
				dir, err := os.MkdirTemp(base, "anchorhold-source-")
				must(t, err)
				t.Cleanup(func() { os.RemoveAll(dir) })
				path := r.lay(t, dir)
				f := watching(t, path)
				until(t, f, "one")
				done := make(chan struct{})
				change := func() {
					defer close(done)
					r.change(t, dir, path)
				}
				if meanwhile {
					go change()
				} else {
					change()
				}
				until(t, f, "the other")
				<-done
				// The same bytes by another file wake nobody, and other ones do.
				put(t, filepath.Join(filepath.Dir(path), "same"), "the other")
				must(t, os.Rename(filepath.Join(filepath.Dir(path), "same"), path))
				still(t, f)
				put(t, path, "a third one")
				until(t, f, "a third one")
			})
		}
	}
}

func TestEveryWayOfReplacing(t *testing.T) { replaceAll(t, t.TempDir(), false, true) }

func TestEveryWayOfReplacingInMemory(t *testing.T) {
	const shm = "/dev/shm" // a tmpfs on every Linux
	if testing.Short() {
		t.Skip("the same as elsewhere, on a tmpfs: not in a -short run")
	}
	if _, err := os.Stat(shm); err != nil {
		trusttest.Lacking(t, "a tmpfs at "+shm)
	}
	replaceAll(t, shm, true)
}

func TestEveryWayOfReplacingOnAnOverlay(t *testing.T) {
	if testing.Short() {
		t.Skip("the same as elsewhere, on an overlay: not in a -short run")
	}
	if trusttest.Private(t) {
		replaceAll(t, "/etc", true)
	}
}
