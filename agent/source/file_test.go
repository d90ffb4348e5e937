package source

import (
	"context"
	"crypto/sha256"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/host"
)

// patient bounds a wait for something that must come; nothing is measured.
const patient = 30 * time.Second

// watching opens a file by events alone: its poll never comes.
func watching(t *testing.T, path string) *File {
	t.Helper()
	f := &File{Path: path, Read: host.System().ReadFile, Poll: time.Hour}
	t.Cleanup(func() {
		if err := f.Close(); err != nil {
			t.Error(err)
		}
	})
	return f
}

func next(t *testing.T, f Source) (Offer, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patient)
	defer cancel()
	o, err := f.Next(ctx)
	if errors.Is(err, context.DeadlineExceeded) {
		t.Fatal("nothing was told")
	}
	if err == nil && o.Digest != sha256.Sum256(o.Data) {
		t.Errorf("digest %x of other bytes than %q", o.Digest, o.Data)
	}
	return o, err
}

// until wants the content to be told in the end, and no error on the way.
func until(t *testing.T, f Source, want string) {
	t.Helper()
	for {
		o, err := next(t, f)
		if err != nil {
			t.Fatal(err)
		}
		if string(o.Data) == want {
			return
		}
		if len(o.Data) >= len(want) {
			t.Fatalf("told %q, want %q", o.Data, want)
		}
	}
}

// still wants nothing to be told for a while.
func still(t *testing.T, f Source) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 250*time.Millisecond)
	defer cancel()
	if o, err := f.Next(ctx); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("told %q, %v, although nothing is new", o.Data, err)
	}
}

func put(t *testing.T, name, text string) {
	t.Helper()
	must(t, os.MkdirAll(filepath.Dir(name), 0o755))
	must(t, os.WriteFile(name, []byte(text), 0o644))
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// swap makes a link anew in one step.
func swap(t *testing.T, link, to string) {
	t.Helper()
	must(t, os.Symlink(to, link+".next"))
	must(t, os.Rename(link+".next", link))
}

func TestAFileThatIsMissing(t *testing.T) {
	path := filepath.Join(t.TempDir(), "conf", "harbour.policy")
	f := watching(t, path)
	_, err := next(t, f)
	var u *Unreachable
	if !errors.As(err, &u) || u.Code != NoFile || u.Where != path || u.Since.IsZero() || u.Next == "" {
		t.Fatalf("%#v", err)
	}
	put(t, path, "one")
	until(t, f, "one")
	must(t, os.Remove(path))
	if _, err := next(t, f); !errors.As(err, &u) || u.Code != NoFile {
		t.Errorf("gone: %v", err)
	}
	still(t, f)
	put(t, path, "one")
	until(t, f, "one") // the same bytes, and yet news: it can be read again
	still(t, f)
}

func TestAFileThatCannotBeRead(t *testing.T) {
	path := filepath.Join(t.TempDir(), "harbour.policy")
	must(t, os.Mkdir(path, 0o755))
	f := watching(t, path)
	var u *Unreachable
	if _, err := next(t, f); !errors.As(err, &u) || u.Code != NotReadable {
		t.Fatalf("a folder: %v", err)
	}
	must(t, os.Remove(path))
	if _, err := next(t, f); !errors.As(err, &u) || u.Code != NoFile {
		t.Fatalf("nothing: %v", err)
	}
	large, err := os.Create(path)
	must(t, err)
	must(t, large.Truncate(policy.MaxFile+1))
	must(t, large.Close())
	if _, err := next(t, f); policy.CodeOf(err) != policy.CodeTooLarge {
		t.Fatalf("too large: %v", err)
	}
	put(t, path, "one")
	until(t, f, "one")
}

// Half a file is handed up like any other bytes, and the whole one after it.
func TestHalfAFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "harbour.policy")
	put(t, path, "whole file, version 1")
	f := watching(t, path)
	until(t, f, "whole file, version 1")
	put(t, path, "whole fi")
	if o, err := next(t, f); err != nil || string(o.Data) != "whole fi" {
		t.Fatalf("%q, %v", o.Data, err)
	}
	put(t, path, "whole file, version 2")
	until(t, f, "whole file, version 2")
}
