package agent

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
)

// IdentityFile is where a host keeps who it is, in the state folder.
const (
	IdentityFile = "identity.json"
	maxIdentity  = 4 << 10
)

// Identity is who a host is: random, made at its first start, and tied to the
// machine's own id so that a clone gets a new one.
type Identity struct {
	ID      string `json:"id"`      // 32 hexadecimal digits
	Machine string `json:"machine"` // SHA-256 of the machine's own id, which itself stays private (machine-id(5))
}

// Identify reads the host's identity. fresh is true where there is none or
// where it belongs to another machine: then a new one is returned, to be kept
// by whoever may write.
func Identify(dir Dir, machineID []byte) (id Identity, fresh bool, err error) {
	sum := sha256.Sum256(append([]byte("anchorhold machine\x00"), bytes.TrimSpace(machineID)...))
	machine := hex.EncodeToString(sum[:])
	data, err := dir.Read(IdentityFile, maxIdentity)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return id, false, fmt.Errorf("cannot read the host's identity: %w", err)
	default:
		if err := json.Unmarshal(data, &id); err != nil || len(id.ID) != 32 {
			return Identity{}, false, fmt.Errorf("cannot read the host's identity in %s; move the file away and this host counts as a new one", IdentityFile)
		}
		if id.Machine == machine {
			return id, false, nil
		}
	}
	var b [16]byte
	rand.Read(b[:]) // never fails, see crypto/rand
	return Identity{ID: hex.EncodeToString(b[:]), Machine: machine}, true, nil
}

// Keep stores an identity.
func (id Identity) Keep(dir Dir) error {
	return keep(dir, IdentityFile, "the host's identity", func() ([]byte, error) {
		data, err := json.Marshal(id)
		return append(data, '\n'), err
	})
}
