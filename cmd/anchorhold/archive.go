package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust/root"
)

// archiveDir is the folder beside a policy in which sign keeps every version.
const archiveDir = "signed"

func archiveName(d policy.Document) string {
	return fmt.Sprintf("%s-%d-%d.policy", d.Name, d.Epoch, d.Version)
}

// archive keeps a signed file under its number. The same number with another
// document is refused: two policies of one number are what hosts take for an
// attack.
func archive(dir string, d policy.Document, data []byte) error {
	folder := filepath.Join(dir, archiveDir)
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return err
	}
	path := filepath.Join(folder, archiveName(d))
	old, err := readDocument(path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("cannot tell whether this number was signed before: %w; mend or move the file away", err)
	}
	if err == nil {
		was, errA := old.Canonical()
		is, errB := d.Canonical()
		if errA != nil || errB != nil || !bytes.Equal(was, is) {
			return fmt.Errorf("version %d of epoch %d was signed before with other content, see %s: raise the version in the draft", d.Version, d.Epoch, path)
		}
	}
	return replace(path, data)
}

// replace writes a file of the signer's own folder atomically.
func replace(path string, data []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".anchorhold-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	if _, err := f.Write(data); err != nil {
		f.Close()
		return err
	}
	if err := f.Chmod(0o644); err != nil {
		f.Close()
		return err
	}
	if err := f.Sync(); err != nil {
		f.Close()
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}

// findVersion returns the newest archived document of that version number.
func findVersion(dir string, current policy.Document, version uint64) (policy.Document, error) {
	found, err := filepath.Glob(filepath.Join(dir, archiveDir, fmt.Sprintf("%s-*-%d.policy", current.Name, version)))
	if err != nil {
		return policy.Document{}, err
	}
	var newest policy.Document
	for _, f := range found {
		d, err := readDocument(f)
		if err != nil {
			return policy.Document{}, err
		}
		if d.Name == current.Name && d.Version == version && d.Epoch > newest.Epoch {
			newest = d
		}
	}
	if newest.Version == 0 {
		all, _ := filepath.Glob(filepath.Join(dir, archiveDir, current.Name+"-*.policy"))
		names := make([]string, len(all))
		for i, f := range all {
			names[i] = filepath.Base(f)
		}
		slices.Sort(names)
		return newest, fmt.Errorf("there is no version %d in %s (%s)", version, filepath.Join(dir, archiveDir), strings.Join(names, ", "))
	}
	return newest, nil
}

// before returns the newest archived document below d, or the zero document:
// what a signer compares with.
func before(dir string, d policy.Document) (policy.Document, error) {
	found, err := filepath.Glob(filepath.Join(dir, archiveDir, d.Name+"-*.policy"))
	if err != nil {
		return policy.Document{}, err
	}
	var newest policy.Document
	at := func(d policy.Document) policy.Mark { return policy.Mark{Epoch: d.Epoch, Version: d.Version} }
	for _, f := range found {
		old, err := readDocument(f)
		if err != nil {
			return policy.Document{}, err
		}
		if old.Name == d.Name && at(old).Compare(at(d)) < 0 && at(old).Compare(at(newest)) > 0 {
			newest = old
		}
	}
	return newest, nil
}

// escape is how a line that quotes a policy's own words reaches a screen.
func escape(s string) string { return root.Safe(s, maxLine) }

// maxLine bounds a line about a change, in characters.
const maxLine = 1000
