package native

import (
	"encoding/binary"
	"errors"
	"fmt"
)

// Bounds of one registry value that holds a certificate, in bytes and
// properties. The largest certificates of public programs have some kilobytes.
const (
	maxBlob       = 256 << 10
	maxProperties = 256
)

// Properties of a certificate in the registry (wincrypt.h).
const (
	propSHA1     = 3
	propUsage    = 9  // CERT_ENHKEY_USAGE: what it may be used for, over its own extension
	propName     = 11 // for people
	propArchived = 19
	propCert     = 32 // CERT_CERT_PROP_ID: the certificate itself
)

// blob is what a registry value holds of one certificate.
type blob struct {
	der   []byte
	props map[uint32][]byte
}

// parseBlob reads elements of property, 1, length and bytes, all little endian
// (measured with Wine 8; real systems write more properties, in any order). It
// is for looking only: what is written goes through the platform.
func parseBlob(b []byte) (blob, error) {
	out := blob{props: map[uint32][]byte{}}
	if len(b) > maxBlob {
		return out, fmt.Errorf("it is larger than %d bytes", maxBlob)
	}
	for n := 0; len(b) > 0; n++ {
		if n == maxProperties {
			return out, fmt.Errorf("it has more than %d properties", maxProperties)
		}
		if len(b) < 12 {
			return out, errors.New("it ends in the middle of a property")
		}
		id, one, size := binary.LittleEndian.Uint32(b), binary.LittleEndian.Uint32(b[4:]), binary.LittleEndian.Uint32(b[8:])
		b = b[12:]
		if one != 1 {
			return out, fmt.Errorf("property %d has the form %d instead of 1", id, one)
		}
		if uint64(size) > uint64(len(b)) {
			return out, fmt.Errorf("property %d ends after the value", id)
		}
		out.props[id], b = b[:size:size], b[size:]
	}
	out.der = out.props[propCert]
	if len(out.der) == 0 {
		return out, errors.New("it holds no certificate")
	}
	return out, nil
}
