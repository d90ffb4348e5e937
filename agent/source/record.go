package source

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
)

// Files in the state folder: the copy of what a source offered last, whatever
// it is worth, and what is known of it. Every account may read them, as it may
// read a policy file beside the settings.
const (
	CopyFile   = "offered.policy"
	RecordFile = "offered.json"
	maxRecord  = 16 << 10
	copyMode   = 0o644
)

// Record is what is remembered of a source beside the copy.
type Record struct {
	Address        string
	Digest         [sha256.Size]byte // of the copy
	ETag, Modified string            // of the copy
	Fetched        time.Time         // when the copy first came
	Checked        time.Time         // when the source last answered
	Unverified     string            // why TLS could not tell who answered
	Since          time.Time         // it has been unreachable since; zero where it answers
	Code           Code              // what is wrong with it; "" where it answers as it should
	Reason         string
}

// answered is the record after an answer.
func (r Record) answered(now time.Time, unverified string) Record {
	r.Checked, r.Unverified = now, unverified
	r.Since, r.Code, r.Reason = time.Time{}, "", ""
	return r
}

// Trouble returns what is wrong with the source, nil where it answers as it
// should: an *[Unreachable], or that what it offers is too large.
func (r Record) Trouble() error {
	switch {
	case r.Code == Code(policy.CodeTooLarge):
		return policy.TooLarge(r.Address)
	case r.Since.IsZero():
		return nil
	}
	return &Unreachable{Where: r.Address, Since: r.Since, Code: r.Code, Reason: r.Reason, Next: remedies[r.Code]}
}

// recordJSON is a record's form on disk.
type recordJSON struct {
	Schema     int        `json:"schema"`
	Address    string     `json:"address"`
	Digest     string     `json:"sha256,omitempty"`
	ETag       string     `json:"etag,omitempty"`
	Modified   string     `json:"modified,omitempty"`
	Fetched    *time.Time `json:"fetched,omitempty"`
	Checked    *time.Time `json:"checked,omitempty"`
	Unverified string     `json:"unverified,omitempty"`
	Since      *time.Time `json:"unreachable_since,omitempty"`
	Code       Code       `json:"code,omitempty"`
	Reason     string     `json:"reason,omitempty"`
}

const recordSchema = 1

// Dir is the state folder.
type Dir interface {
	Read(name string, max int64) ([]byte, error)
	Write(name string, data []byte, perm fs.FileMode) error // atomic and synced
}

// Recall reads the record and the copy of the source at an address: nothing
// where there is none, or where they are another source's. What is damaged
// counts as nothing too: it is fetched again, and its signatures are what
// counts in any case.
func Recall(dir Dir, address string) (Record, []byte, error) {
	none := Record{Address: address}
	text, err := dir.Read(RecordFile, maxRecord)
	if errors.Is(err, fs.ErrNotExist) {
		return none, nil, nil
	}
	if err != nil {
		return none, nil, fmt.Errorf("cannot read what is known of the source: %w", err)
	}
	rec, err := parseRecord(text)
	if err != nil || rec.Address != address {
		return none, nil, nil
	}
	data, err := dir.Read(CopyFile, policy.MaxFile)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return none, nil, fmt.Errorf("cannot read the copy of what the source offered: %w", err)
	}
	if err != nil || sha256.Sum256(data) != rec.Digest {
		// A death between the two writes: what is known of the source stays,
		// what belongs to the copy does not.
		rec.Digest, rec.ETag, rec.Modified, rec.Fetched = [sha256.Size]byte{}, "", "", time.Time{}
		return rec, nil, nil
	}
	return rec, data, nil
}

// Keep stores a record, and the copy before it where data is not nil.
func (r Record) Keep(dir Dir, data []byte) error {
	if data != nil {
		if err := dir.Write(CopyFile, data, copyMode); err != nil {
			return err
		}
	}
	text, err := json.Marshal(r.form())
	if err != nil {
		return err
	}
	return dir.Write(RecordFile, append(text, '\n'), copyMode)
}

func (r Record) form() recordJSON {
	j := recordJSON{Schema: recordSchema, Address: r.Address, ETag: r.ETag, Modified: r.Modified, Fetched: instant(r.Fetched), Checked: instant(r.Checked),
		Unverified: r.Unverified, Since: instant(r.Since), Code: r.Code, Reason: r.Reason}
	if r.Digest != [sha256.Size]byte{} {
		j.Digest = hex.EncodeToString(r.Digest[:])
	}
	return j
}

func parseRecord(text []byte) (Record, error) {
	var j recordJSON
	if err := trust.Decode(text, maxRecord, &j); err != nil {
		return Record{}, err
	}
	if j.Schema != recordSchema {
		return Record{}, fmt.Errorf("schema %d", j.Schema)
	}
	r := Record{Address: j.Address, ETag: strongETag(j.ETag), Modified: modified(j.Modified), Unverified: plain(j.Unverified), Code: j.Code, Reason: plain(j.Reason)}
	if j.Digest != "" {
		sum, err := hex.DecodeString(j.Digest)
		if err != nil || len(sum) != len(r.Digest) {
			return Record{}, errors.New("the digest is none")
		}
		copy(r.Digest[:], sum)
	}
	for _, t := range []struct {
		to   *time.Time
		from *time.Time
	}{{&r.Fetched, j.Fetched}, {&r.Checked, j.Checked}, {&r.Since, j.Since}} {
		if t.from != nil {
			*t.to = *t.from
		}
	}
	return r, nil
}

// instant is a time to the second, nil where there is none.
func instant(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC().Truncate(time.Second)
	return &t
}
