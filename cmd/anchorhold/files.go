package main

import (
	"bytes"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
)

// readBounded reads a file that somebody named on the command line; "-" is
// standard input. What is larger than max bytes is refused.
func readBounded(name string, max int64) ([]byte, error) {
	f := os.Stdin
	if name != "-" {
		var err error
		if f, err = os.Open(name); err != nil {
			return nil, err
		}
		defer f.Close()
	}
	return bounded(f, name, max)
}

func bounded(r io.Reader, name string, max int64) ([]byte, error) {
	data, err := io.ReadAll(io.LimitReader(r, max+1))
	if err != nil {
		return nil, err
	}
	if int64(len(data)) > max {
		return nil, fmt.Errorf("%s: %w of %d bytes", name, host.ErrTooLarge, max)
	}
	return data, nil
}

func readPolicy(name string) ([]byte, error) { return readBounded(name, policy.MaxFile) }

// writeNew writes a file that must not be there yet; what a person made is
// never overwritten.
func writeNew(name string, data []byte, perm os.FileMode) error {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, perm)
	if err != nil {
		if os.IsExist(err) {
			return fmt.Errorf("%s is there already; name another file or move it away", name)
		}
		return err
	}
	if _, err := f.Write(data); err != nil {
		f.Close()
		return err
	}
	if err := f.Sync(); err != nil {
		f.Close()
		return err
	}
	return f.Close()
}

// sorted lists a snapshot's roots in an order that does not change.
func sorted(s trust.Snapshot) []root.Fingerprint {
	return slices.SortedFunc(maps.Keys(s.Entries), func(a, b root.Fingerprint) int { return bytes.Compare(a[:], b[:]) })
}
