package probe

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"slices"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// Judge judges what a target served, at now, by a store that holds the roots
// in; more are roots that it does not hold, yet that may be anchors. It is
// pure. The verdict is that of crypto/x509 with exactly these roots; what other
// programs make of it stands in the findings.
//
// An endpoint verifies where the name (unless it is a listener), the dates and
// the chain hold with a root of in, and the handshake could be finished with
// TLS 1.2 or later. A finding of severity refuse beside that tells what some
// programs fail on all the same.
func Judge(g Gathered, in, more []trust.Root, now time.Time) trust.Verdict {
	v := trust.Verdict{Target: g.Target, At: now, Answer: trust.Silent, Endpoints: []trust.Endpoint{}}
	for _, e := range g.Ends {
		v.Endpoints = append(v.Endpoints, judgeEnd(e, g.Target, in, more, now))
	}
	v.Findings = about(g, v.Endpoints)
	v.Answer = worst(g, v.Endpoints)
	return v
}

// worst sums up what the endpoints answer. An address that this host has no
// way to does not count beside one that it has: no program here gets there.
func worst(g Gathered, ends []trust.Endpoint) trust.Answer {
	order := []trust.Answer{trust.Verifies, trust.Silent, trust.NotTLS, trust.Fails}
	at := -1
	for i, e := range ends {
		if g.Ends[i].Stop == NoRoute && !onlyNoRoute(g) {
			continue
		}
		at = max(at, slices.Index(order, e.Answer))
	}
	if at < 0 {
		return trust.Silent
	}
	return order[at]
}

func onlyNoRoute(g Gathered) bool {
	return !slices.ContainsFunc(g.Ends, func(e End) bool { return e.Stop != NoRoute })
}

// judging is one endpoint under judgement.
type judging struct {
	sent
	target   trust.Target
	in, more []trust.Root
	now      time.Time
	end      trust.Endpoint

	known []*x509.Certificate // roots of in and more that the chain can lead to

	path   []*x509.Certificate // by which it is judged, leaf first
	rooted bool                // the path ends at a root of in or more
	err    error               // what crypto/x509 has against it
}

func judgeEnd(e End, t trust.Target, in, more []trust.Root, now time.Time) trust.Endpoint {
	j := &judging{sent: parseSent(e.Chain), target: t, in: in, more: more, now: now,
		end: trust.Endpoint{Remote: e.Remote.String(), Version: versionText(e.Version), Anchors: []root.Fingerprint{}}}
	j.end.Answer = j.reached(e)
	if len(j.certs) > 0 && !j.judge() {
		j.end.Answer = trust.Fails
	}
	j.end.Findings = sorted(j.end.Findings)
	return j.end
}

// reached judges how the connection ended, and begins with the best answer that
// the certificates can still get.
func (j *judging) reached(e End) trust.Answer {
	answer := trust.Verifies
	switch e.Stop {
	case NoRoute:
		j.say(codeNoRoute, "%s: %s", e.Remote, e.Why)
		return trust.Silent
	case Closed:
		if j.target.Listener {
			// It was asked twice. A service that speaks TLS answers a hello that it
			// does not like with an alert (RFC 8446 6.2).
			j.say(codeNotTLS, "%s: %s, as what speaks another protocol does", e.Remote, e.Why)
			return trust.NotTLS
		}
		fallthrough
	case Unreached, Stalled:
		j.say(codeSilent, "%s: %s", e.Remote, e.Why)
		return trust.Silent
	case Plain:
		j.say(codeNotTLS, "%s: %s", e.Remote, e.Why)
		return trust.NotTLS
	case NoUpgrade:
		j.say(codeNoUpgrade, "%s: %s", e.Remote, e.Why)
		return trust.NotTLS
	case Flooded:
		j.say(codeFlood, "%s: %s", e.Remote, e.Why)
		answer = trust.Fails
	case Alerted, Broken:
		switch {
		case e.Demanded && len(e.Chain) > 0: // said below
		case j.unparsed():
			answer = trust.Fails // said with the certificates
		default:
			j.say(codeHandshake, "%s: %s", e.Remote, e.Why)
			answer = trust.Fails
		}
	}
	if e.Version != 0 && e.Version < tls.VersionTLS12 {
		j.say(codeVersion, "it speaks %s at most", versionText(e.Version))
		answer = trust.Fails
	} else if e.Suite != 0 {
		j.say(codeSuite, "it insists on %s", tls.CipherSuiteName(e.Suite))
	}
	if e.Demanded {
		j.say(codeClientCert, "it asks clients for a certificate")
	}
	return answer
}

// unparsed reports a certificate that crypto/x509 cannot read.
func (j *judging) unparsed() bool {
	return len(j.torn) > 0 || slices.ContainsFunc(j.certs, func(c *root.Certificate) bool { return c.X509 == nil })
}

func (j *judging) say(code, what string, args ...any) {
	j.end.Findings = append(j.end.Findings, finding(code, what, args...))
}

// judge judges the certificates and reports whether they verify.
func (j *judging) judge() bool {
	for _, c := range j.certs {
		j.end.Sent = append(j.end.Sent, served(c))
	}
	leaf := j.end.Sent[0]
	j.end.Leaf = &leaf
	readable := j.readable()
	if j.leaf() == nil {
		return false
	}
	named := j.target.Listener || j.named()
	before := len(j.end.Findings)
	held := j.chained()
	j.dates()
	j.strength()
	if !held {
		j.unexplained(before)
	}
	j.leftovers()
	j.links()
	j.say(codeUnchecked, "revocation was not checked")
	return readable && named && held
}

// readable tells which certificates Go cannot read.
func (j *judging) readable() bool {
	for i, c := range j.certs {
		switch {
		case c.X509 != nil:
		case i == 0:
			j.say(codeUnparsable, "the service's certificate %s cannot be read by crypto/x509: %s", shown(c), root.Safe(c.X509Err.Error(), maxText))
		default:
			j.say(codeUnparsableCA, "the certificate %s in its chain cannot be read by crypto/x509: %s", shown(c), root.Safe(c.X509Err.Error(), maxText))
		}
	}
	for _, place := range j.torn {
		j.say(codeUnparsableCA, "number %d of its chain is no certificate", place+1)
	}
	if j.sent.more > 0 {
		j.say(codeTooLong, "it sends %d certificates; the first %d were looked at", MaxSent+j.sent.more, MaxSent)
	}
	if n := j.size(); n > maxChainBytes {
		j.say(codeHuge, "it sends %d kB of certificates", n/1000)
	}
	return !j.unparsed()
}

// maxChainBytes is how much OpenSSL takes by itself.
const maxChainBytes = 100 << 10

// served is a certificate for people.
func served(c *root.Certificate) trust.ServedCertificate {
	s := trust.ServedCertificate{SHA256: c.Fingerprint(), Subject: c.SubjectText(), Issuer: c.IssuerText(),
		Serial: root.Safe(c.Serial.Text(16), maxName), NotBefore: c.NotBefore, NotAfter: c.NotAfter}
	if c.X509 != nil {
		s.Names = namesOf(c.X509)
	}
	return s
}

// shown names a certificate in a sentence.
func shown(c *root.Certificate) string { return "'" + c.Name() + "'" }

func shownX(c *x509.Certificate) string {
	if p, err := root.Parse(c.Raw); err == nil {
		return shown(p)
	}
	return root.Of(c.Raw).Short()
}

// links draws the path.
func (j *judging) links() {
	for _, c := range j.path {
		p, err := root.Parse(c.Raw)
		if err != nil {
			continue
		}
		l := trust.Link{ServedCertificate: served(p), Sent: j.place(c) >= 0, In: holds(j.in, c)}
		l.More = !l.In && holds(j.more, c)
		j.end.Path = append(j.end.Path, l)
	}
}

// place is where a certificate stands in the chain as sent, -1 where it does
// not.
func (j *judging) place(c *x509.Certificate) int {
	return slices.IndexFunc(j.certs, func(s *root.Certificate) bool { return bytes.Equal(s.Raw, c.Raw) })
}

func holds(roots []trust.Root, c *x509.Certificate) bool {
	fp := root.Of(c.Raw)
	return slices.ContainsFunc(roots, func(r trust.Root) bool { return r.Fingerprint == fp })
}
