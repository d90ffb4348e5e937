package probe_test

import (
	"crypto/x509"
	"errors"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/probe"
	"anchorhold.test/anchorhold/trust/root"
)

// judged is what this room says of a chain as it was sent.
type judged struct {
	carried  bool   // by its certificates, dates and limits, whatever its name
	verifies bool   // and for the name
	why      string // for people
}

func judge(t *testing.T, chain [][]byte, name string, now time.Time, roots ...[]byte) judged {
	t.Helper()
	j := judged{carried: len(probe.Anchors(chain, asRoots(roots...), now)) > 0}
	leaf, err := x509.ParseCertificate(chain[0])
	if err == nil {
		err = leaf.VerifyHostname(name)
	}
	j.verifies = j.carried && err == nil
	return j
}

func asRoots(ders ...[]byte) []trust.Root {
	var out []trust.Root
	for _, d := range ders {
		out = append(out, trust.Root{Fingerprint: root.Of(d), DER: d})
	}
	return out
}

var _ = errors.New
