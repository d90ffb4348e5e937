package probe

import (
	"bytes"
	"crypto/x509"
	"errors"
	"slices"

	"anchorhold.test/anchorhold/trust/root"
)

// chained reports whether the chain holds with a root of the store, and says
// why where it does not. Dates, keys and purposes are told elsewhere; err keeps
// what crypto/x509 says, for faults that nobody has words for.
func (j *judging) chained() bool {
	j.known = j.candidates(slices.Concat(j.in, j.more))
	var here, elsewhere [][]*x509.Certificate
	for _, r := range j.known {
		chain, err := j.verify(r, j.now)
		if err != nil {
			continue
		}
		j.end.Anchors = append(j.end.Anchors, root.Of(r.Raw))
		if misnamed(chain) != nil {
			j.end.Doubted = append(j.end.Doubted, root.Of(r.Raw))
		}
		if holds(j.in, r) {
			here = append(here, chain)
		} else {
			elsewhere = append(elsewhere, chain)
		}
	}
	switch {
	case len(here) > 0:
		j.path, j.rooted = best(here), true
		j.limits()
		if c := misnamed(j.path); c != nil {
			j.say(codeIdentifier, "%s names another issuer by its authority key identifier than the root or CA here that signed it", shownX(c))
		}
		return true
	case len(elsewhere) > 0:
		j.path, j.rooted = best(elsewhere), true
		end := j.path[len(j.path)-1]
		j.say(codeNotHere, "its chain ends at %s (%s), which the policy knows and this host's store does not hold", shownX(end), root.Of(end.Raw).Short())
		return false
	}
	j.follow()
	if !j.rooted {
		j.open()
		return false
	}
	_, j.err = j.verify(j.path[len(j.path)-1], j.now)
	j.refused()
	return false
}

// follow draws the path from issuer to issuer by signatures alone, whatever the
// dates and limits: through what was sent, up to a root that is known. A
// certificate that is valid now comes before its twin that is not.
func (j *judging) follow() {
	valid := func(c *x509.Certificate) bool { return !j.now.Before(c.NotBefore) && !j.now.After(c.NotAfter) }
	j.path = []*x509.Certificate{j.leaf()}
	for len(j.path) <= MaxSent {
		last := j.path[len(j.path)-1]
		if slices.ContainsFunc(j.known, last.Equal) {
			j.rooted = true
			return
		}
		var next *x509.Certificate
		take := func(c *x509.Certificate) {
			if c == nil || slices.ContainsFunc(j.path, c.Equal) || !signed(last, c) {
				return
			}
			if next == nil || !valid(next) && valid(c) {
				next = c
			}
		}
		for _, r := range j.known {
			take(r)
		}
		if next == nil || !valid(next) {
			for _, c := range j.certs {
				take(c.X509)
			}
		}
		if next == nil {
			return
		}
		j.path = append(j.path, next)
	}
}

// signed reports whether by's key signed c, by name and signature alone.
func signed(c, by *x509.Certificate) bool {
	return bytes.Equal(c.RawIssuer, by.RawSubject) &&
		by.CheckSignature(c.SignatureAlgorithm, c.RawTBSCertificate, c.Signature) == nil
}

// open tells of a path that leads to no root that is known.
func (j *judging) open() {
	last := j.path[len(j.path)-1]
	if j.namesake(last) {
		j.say(codeOtherKey, "a root named %s is known here, with another key: it did not sign this chain", issuerOf(last))
		return
	}
	switch {
	case len(j.path) == 1 && bytes.Equal(last.RawIssuer, last.RawSubject):
		j.say(codeSelfSigned, "the service's certificate signs itself; no CA stands behind it")
	case bytes.Equal(last.RawIssuer, last.RawSubject):
		j.say(codeUnknown, "its chain ends at %s (%s), which neither this host's store nor a policy here knows", shownX(last), root.Of(last.Raw).Short())
	default:
		what := "the certificate of its issuer is missing from the chain: " + issuerOf(last)
		if len(last.IssuingCertificateURL) > 0 {
			what += "; the certificate says that it can be had at " + root.Safe(last.IssuingCertificateURL[0], maxName) + ", which was not fetched"
		}
		j.say(codeMissing, "%s", what)
	}
}

// namesake reports a known root that has the name of the path's last issuer and
// did not sign it.
func (j *judging) namesake(last *x509.Certificate) bool {
	return slices.ContainsFunc(j.known, func(r *x509.Certificate) bool {
		return bytes.Equal(r.RawSubject, last.RawIssuer) && !r.Equal(last)
	})
}

// issuerOf names the issuer of a certificate.
func issuerOf(c *x509.Certificate) string {
	if p, err := root.Parse(c.Raw); err == nil {
		return "'" + p.IssuerText() + "'"
	}
	return "an issuer without a readable name"
}

// refused tells what crypto/x509 has against a path that leads to a known root,
// where no other finding will.
func (j *judging) refused() {
	var invalid x509.CertificateInvalidError
	var critical x509.UnhandledCriticalExtension
	switch {
	case j.signer() != "":
		j.say(codeNotCA, "%s signed a certificate of its chain and is no CA, or may not sign", j.signer())
	case errors.As(j.err, &critical):
		j.say(codeCritical, "a certificate of its chain has a critical extension that crypto/x509 does not know")
	case !errors.As(j.err, &invalid):
	case invalid.Reason == x509.CANotAuthorizedForThisName, invalid.Reason == x509.NameConstraintsWithoutSANs, invalid.Reason == x509.UnconstrainedName, invalid.Reason == x509.TooManyConstraints:
		j.say(codeNameLimit, "a CA of its chain may not issue for this name: %s", root.Safe(invalid.Detail, maxText))
	case invalid.Reason == x509.TooManyIntermediates:
		j.say(codePathLength, "more CAs stand below one of its chain than that one allows")
	}
}

// signer is the first of the path that signed and may not, or "".
func (j *judging) signer() string {
	for _, c := range j.path[1:] {
		if !c.IsCA || c.KeyUsage != 0 && c.KeyUsage&x509.KeyUsageCertSign == 0 {
			return shownX(c)
		}
	}
	return ""
}

// limits tells of limits in the root itself, which some programs pass over:
// Java heeds none of them, GnuTLS and NSS not the purpose (measured).
func (j *judging) limits() {
	r := j.path[len(j.path)-1]
	named := len(r.PermittedDNSDomains)+len(r.ExcludedDNSDomains)+len(r.PermittedIPRanges)+len(r.ExcludedIPRanges) > 0
	deep := r.MaxPathLen > 0 || r.MaxPathLenZero
	purpose := len(r.ExtKeyUsage)+len(r.UnknownExtKeyUsage) > 0
	if len(j.path) > 1 && (named || deep || purpose) {
		j.say(codeAnchorLimit, "the root %s limits what it vouches for; Java does not heed a root's own limits, other programs only some of them", shownX(r))
	}
}

// leftovers tells what was sent beside the path, and in what order.
func (j *judging) leftovers() {
	at, disorder := 0, false
	seen := map[root.Fingerprint]bool{}
	var extra []string
	for i, c := range j.certs {
		fp := c.Fingerprint()
		place := slices.IndexFunc(j.path, func(p *x509.Certificate) bool { return bytes.Equal(p.Raw, c.Raw) })
		switch {
		case i == 0:
		case seen[fp]:
			extra = append(extra, shown(c)+" a second time")
		case place > 0 && j.rooted && place == len(j.path)-1:
			j.say(codeRootSent, "it sends the root %s as well", shown(c))
		case place > 0:
			disorder = disorder || place < at
			at = max(at, place)
		case j.twin(c):
			j.say(codeTwin, "it sends %s, a twin of what the chain needs: the same name and key, valid until %s", shown(c), c.NotAfter.UTC().Format(day))
		default:
			extra = append(extra, shown(c))
		}
		seen[fp] = true
	}
	if disorder {
		j.say(codeOrder, "its certificates are out of order")
	}
	if len(extra) > 0 {
		j.say(codeExtra, "it sends what the chain does not need: %s", list(extra))
	}
}

// twin reports a certificate for the name and the key of one in the path, which
// ended or will end earlier.
func (j *judging) twin(c *root.Certificate) bool {
	return slices.ContainsFunc(j.path, func(p *x509.Certificate) bool {
		return bytes.Equal(p.RawSubject, c.Subject) && bytes.Equal(p.RawSubjectPublicKeyInfo, c.SPKI) && c.NotAfter.Before(p.NotAfter)
	})
}

// size is how many bytes of certificates were looked at.
func (j *judging) size() int {
	n := 0
	for _, c := range j.certs {
		n += len(c.Raw)
	}
	return n
}
