package policy

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
)

// Bounds of keysets.
const (
	MaxKeys       = 32
	MaxGeneration = 1 << 20
	maxKeyset     = 32 << 10  // bytes of a keyset in JSON
	maxStatement  = 128 << 10 // bytes of a keyset statement
)

// KeysetSchema is the newest schema of a keyset that this program understands.
const KeysetSchema = 1

var nameForm = regexp.MustCompile(`^[a-z0-9-]{1,32}$`)

// Digest is a SHA-256, in base64url where it is written.
type Digest [sha256.Size]byte

// IsZero reports whether d was never set.
func (d Digest) IsZero() bool { return d == Digest{} }

// String returns the digest in base64url without padding.
func (d Digest) String() string { return base64.RawURLEncoding.EncodeToString(d[:]) }

// MarshalText writes what String returns.
func (d Digest) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads exactly what MarshalText writes.
func (d *Digest) UnmarshalText(text []byte) error {
	raw, err := decodeBase64(base64.RawURLEncoding, string(text))
	if err != nil || len(raw) != len(d) {
		return fmt.Errorf("%s is not a SHA-256 in base64url", clip(string(text)))
	}
	copy(d[:], raw)
	return nil
}

// Keyset is the keys that may sign a policy and how many of them must.
//
// The zero value is no keyset. One that came through UnmarshalJSON, a
// statement or a pin is vetted; one filled by hand is vetted by Check, which
// everything here calls before it believes it.
type Keyset struct {
	Schema      int       `json:"schema"`
	Policy      string    `json:"policy"`     // name of the policy that the keys sign
	Generation  uint32    `json:"generation"` // rises when the contingency keyset is used
	Serial      uint32    `json:"serial"`     // rises with each normal statement, from 1
	Issued      time.Time `json:"issued,omitzero"`
	Threshold   int       `json:"threshold"`
	Keys        []Key     `json:"keys"`
	Contingency Digest    `json:"contingency,omitzero"` // of the contingency keyset, see Hash
}

// IsZero reports whether k is no keyset.
func (k Keyset) IsZero() bool { return k.Serial == 0 && len(k.Keys) == 0 }

// Epoch orders keysets of one policy: each normal statement raises it by one,
// each contingency statement beyond every serial. It is 0 for the zero keyset
// and fits 53 bits.
func (k Keyset) Epoch() uint64 { return uint64(k.Generation)<<32 + uint64(k.Serial) }

// Check vets the keyset: fields in range, keys distinct, 1 <= threshold <= n.
func (k Keyset) Check() error {
	switch {
	case k.Schema > KeysetSchema:
		return refuse(CodeTooNew, "keyset", "schema %d is newer than this program's %d", k.Schema, KeysetSchema)
	case k.Schema < 1:
		return refuse(CodeBadSchema, "keyset", "schema %d does not exist", k.Schema)
	case !nameForm.MatchString(k.Policy):
		return refuse(CodeBadKeyset, "keyset.policy", "%s is not a policy's name: 1 to 32 of a-z, 0-9 and '-'", clip(k.Policy))
	case k.Generation > MaxGeneration:
		return refuse(CodeBadKeyset, "keyset.generation", "%d is beyond %d", k.Generation, MaxGeneration)
	case k.Serial < 1:
		return refuse(CodeBadKeyset, "keyset.serial", "serial numbers begin at 1")
	case !k.Issued.IsZero() && !plain(k.Issued):
		return refuse(CodeBadTime, "keyset.issued", "times are UTC and whole seconds")
	}
	return vetKeys(k.Keys, k.Threshold)
}

func vetKeys(keys []Key, threshold int) error {
	if len(keys) < 1 || len(keys) > MaxKeys {
		return refuse(CodeBadKeyset, "keyset.keys", "%d keys, a keyset has 1 to %d", len(keys), MaxKeys)
	}
	if threshold < 1 || threshold > len(keys) {
		return refuse(CodeBadThreshold, "keyset.threshold", "%d of %d keys cannot sign", threshold, len(keys))
	}
	for i, key := range keys {
		if key.IsZero() {
			return refuse(CodeBadKey, "keyset.keys", "key %d is empty", i)
		}
		if slices.Contains(keys[:i], key) {
			return refuse(CodeRepeatedKey, "keyset.keys", "%s stands twice", key)
		}
	}
	return nil
}

// Canonical returns the keyset's one form in bytes: JSON, members in the order
// of the struct, keys in the order of their ids, no blanks.
func (k Keyset) Canonical() ([]byte, error) {
	if err := k.Check(); err != nil {
		return nil, err
	}
	k.Keys = slices.SortedFunc(slices.Values(k.Keys), func(a, b Key) int { return strings.Compare(a.id, b.id) })
	return marshal(k)
}

// Hash returns the SHA-256 of the canonical form. A keyset pins its
// contingency keyset by it.
func (k Keyset) Hash() (Digest, error) {
	text, err := k.Canonical()
	return sha256.Sum256(text), err
}

// Same reports whether both are the same keyset. When it was issued is left
// out, because a pin does not say it.
func (k Keyset) Same(other Keyset) bool {
	k.Issued, other.Issued = time.Time{}, time.Time{}
	a, errA := k.Canonical()
	b, errB := other.Canonical()
	return errA == nil && errB == nil && bytes.Equal(a, b)
}

// Key returns the key of that id.
func (k Keyset) Key(id string) (Key, bool) {
	i := slices.IndexFunc(k.Keys, func(key Key) bool { return key.id == id })
	if i < 0 {
		return Key{}, false
	}
	return k.Keys[i], true
}

// met reports whether enough keys of k are among those that signed.
func (k Keyset) met(signed map[string]bool) bool { return len(count(signed, k.Keys)) >= k.Threshold }

// UnmarshalJSON reads a keyset strictly and vets it.
func (k *Keyset) UnmarshalJSON(data []byte) error {
	got := Keyset{}
	n, err := bounded(data, maxKeyset, "keyset", KeysetSchema)
	if err == nil {
		err = decodeNode(n, "keyset", &got)
	}
	if err == nil {
		err = got.Check()
	}
	if err != nil {
		return err
	}
	*k = got
	return nil
}

// bounded walks data and looks at its schema before anything else is judged:
// what a newer program wrote is too new, not wrong.
func bounded(data []byte, most int, path string, newest int) (node, error) {
	if len(data) > most {
		return node{}, refuse(CodeTooLarge, path, "more than %d bytes", most)
	}
	n, err := scan(data)
	if err != nil {
		if e, ok := err.(*Error); ok {
			e.Subject = path
		}
		return n, err
	}
	for i, name := range n.names {
		var s struct {
			Schema int `json:"schema"`
		}
		if name != "schema" {
			continue
		}
		only := node{kind: objectKind, names: n.names[i : i+1], items: n.items[i : i+1]}
		if err := decodeNode(only, path, &s); err != nil {
			return n, err
		}
		if s.Schema > newest {
			return n, refuse(CodeTooNew, path, "schema %d is newer than this program's %d", s.Schema, newest)
		}
		if s.Schema < 1 {
			return n, refuse(CodeBadSchema, path, "schema %d does not exist", s.Schema)
		}
	}
	return n, nil
}
