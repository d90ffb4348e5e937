package probe

import (
	"bytes"
	"crypto/x509"
	"slices"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// Anchors returns, in their order, the roots each of which alone carries the
// chain at now: by its certificates, dates, purpose and limits, whatever name
// it was asked for. sent is DER, leaf first; every other certificate of it may
// stand in between, in any order, so a cross-signed twin counts for the root
// that it leads to (RFC 5280 6.1). At most [MaxSent] certificates are looked at
// and at most [MaxChecks] roots are tried.
func Anchors(sent [][]byte, roots []trust.Root, now time.Time) []root.Fingerprint {
	s := parseSent(sent)
	if s.leaf() == nil {
		return nil
	}
	carry := []root.Fingerprint{}
	for _, r := range s.candidates(roots) {
		if _, err := s.verify(r, now); err == nil {
			carry = append(carry, root.Of(r.Raw))
		}
	}
	return carry
}

// sent is a chain as a service sent it.
type sent struct {
	certs []*root.Certificate // those whose frame could be followed, leaf first
	torn  []int               // places of those that could not even be walked
	more  int                 // how many were not looked at
}

func parseSent(der [][]byte) sent {
	var s sent
	if len(der) > MaxSent {
		s.more, der = len(der)-MaxSent, der[:MaxSent]
	}
	for i, d := range der {
		c, err := root.Parse(d)
		if err != nil {
			s.torn = append(s.torn, i)
			if i == 0 {
				return s // without its leaf a chain says nothing
			}
			continue
		}
		s.certs = append(s.certs, c)
	}
	return s
}

// leaf returns the service's own certificate, or nil where Go cannot read it.
func (s sent) leaf() *x509.Certificate {
	if len(s.certs) == 0 {
		return nil
	}
	return s.certs[0].X509
}

// candidates returns the roots that a chain from these certificates can lead
// to. A chain goes from a certificate's issuer to the same bytes as a subject
// (RFC 5280 6.1, and how [x509.Certificate.Verify] looks parents up), or it is
// the root itself. Parsing a whole store would take longer than all the rest.
func (s sent) candidates(roots []trust.Root) []*x509.Certificate {
	var out []*x509.Certificate
	seen := map[root.Fingerprint]bool{}
	for _, r := range roots {
		if len(out) == MaxChecks {
			break
		}
		if seen[r.Fingerprint] || len(r.DER) == 0 || len(r.DER) > root.MaxCertificate || !s.leadsTo(r.DER) {
			continue
		}
		seen[r.Fingerprint] = true
		c, err := x509.ParseCertificate(r.DER)
		if err == nil && s.leadsToSubject(c) {
			out = append(out, c)
		}
	}
	return out
}

// leadsTo is the cheap look: are an issuer's bytes anywhere in the root?
func (s sent) leadsTo(der []byte) bool {
	for i, c := range s.certs {
		if bytes.Contains(der, c.Issuer) || i == 0 && bytes.Equal(der, c.Raw) {
			return true
		}
	}
	return false
}

func (s sent) leadsToSubject(r *x509.Certificate) bool {
	for i, c := range s.certs {
		if bytes.Equal(r.RawSubject, c.Issuer) || i == 0 && bytes.Equal(r.Raw, c.Raw) {
			return true
		}
	}
	return false
}

// verify builds a chain from the leaf to a root, by that root alone: one that
// every program finds comes before one that only some find, a short one before
// a long one.
func (s sent) verify(r *x509.Certificate, now time.Time) ([]*x509.Certificate, error) {
	pool, between := x509.NewCertPool(), x509.NewCertPool()
	pool.AddCert(r)
	for _, c := range s.certs[1:] {
		if c.X509 != nil {
			between.AddCert(c.X509)
		}
	}
	chains, err := s.leaf().Verify(x509.VerifyOptions{Roots: pool, Intermediates: between, CurrentTime: now, KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}})
	if err != nil {
		return nil, err
	}
	return best(chains), nil
}

func best(chains [][]*x509.Certificate) []*x509.Certificate {
	rank := func(c []*x509.Certificate) int {
		if misnamed(c) != nil {
			return MaxSent + MaxChecks + len(c)
		}
		return len(c)
	}
	return slices.MinFunc(chains, func(a, b []*x509.Certificate) int { return rank(a) - rank(b) })
}
