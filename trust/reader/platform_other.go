//go:build !windows

package reader

import (
	"errors"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

var errNoPlatform = errors.New("this system cannot be asked so")

func askPlatform(trust.Claim) (by string, err error) { return "", errNoPlatform }

func listPlatform() ([]root.Fingerprint, error) { return nil, errNoPlatform }
