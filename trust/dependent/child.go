package dependent

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path"
	"path/filepath"
	"slices"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/root"
)

// Command is the hidden command by which the program looks through the files of
// this host as an account without rights; it takes no argument ([Child]).
const Command = "answer-files"

// Bounds of what a child takes in and gives, in bytes.
const (
	MaxQuestion = 32 << 20
	MaxAnswer   = 16 << 20
)

// Child is the body of that command: it reads a question from in, looks through
// the host with the rights that the process has, and writes the answer.
func Child(ctx context.Context, in io.Reader, out io.Writer) error {
	var q Question
	if err := trust.Receive(in, MaxQuestion, &q); err != nil {
		return fmt.Errorf("cannot read the question: %w", err)
	}
	if err := q.Check(); err != nil {
		return err
	}
	return json.NewEncoder(out).Encode(Gather(ctx, host.System(), q))
}

// Check reports a question that cannot be answered.
func (q Question) Check() error {
	if q.At.IsZero() || len(q.Folders) > MaxFolders {
		return fmt.Errorf("cannot look through files: no time is given, or more than %d folders", MaxFolders)
	}
	for _, dir := range q.Folders {
		if !path.IsAbs(dir) && !filepath.IsAbs(filepath.FromSlash(dir)) {
			return fmt.Errorf("cannot look through %q: give the folder's whole path", dir)
		}
	}
	return nil
}

// Answers reads what a child wrote. The child read what anybody may have
// written: its answer is taken only where it has our form, names no root but
// those of the question, and every text in it is made safe to show once more.
func Answers(data []byte, q Question) (Answer, error) {
	var a Answer
	if err := trust.Decode(data, MaxAnswer, &a); err != nil {
		return Answer{}, fmt.Errorf("cannot read the answer: %w", err)
	}
	if len(a.Files) > maxFound || len(a.Unread) > maxUnread+2 {
		return Answer{}, errors.New("cannot read the answer: it has more entries than a search gives")
	}
	for i := range a.Files {
		f := &a.Files[i]
		for _, fp := range f.Anchors {
			if !slices.ContainsFunc(q.Roots, func(r trust.Root) bool { return r.Fingerprint == fp }) {
				return Answer{}, errors.New("cannot read the answer: it names a root that it was not asked about")
			}
		}
		tame(&f.Server, &f.Config, &f.Path, &f.Leaf.Subject, &f.Leaf.Issuer, &f.Leaf.Serial)
		for j := range f.Leaf.Names {
			tame(&f.Leaf.Names[j])
		}
	}
	for i := range a.Unread {
		u := &a.Unread[i]
		tame(&u.Server, &u.Config, &u.Path, &u.Why)
	}
	return a, nil
}

// maxText bounds a text of an answer; paths are the longest (PATH_MAX of Linux).
const maxText = 4096

// tame escapes what is not fit to show.
func tame(texts ...*string) {
	for _, t := range texts {
		*t = root.SafeStill(*t, maxText)
	}
}
