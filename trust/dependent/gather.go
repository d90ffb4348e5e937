package dependent

import (
	"bytes"
	"cmp"
	"context"
	"slices"
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/probe"
	"anchorhold.test/anchorhold/trust/root"
)

// Gather looks through a host with the rights that this process has. It only
// reads, and ends within [Limit].
func Gather(ctx context.Context, h *host.Host, q Question) Answer {
	ctx, stop := context.WithTimeout(ctx, Limit)
	defer stop()
	s := &search{ctx: ctx, host: h, told: map[Unread]bool{}}
	s.holder = holders{known: map[root.Fingerprint]bool{}, taken: map[string]bool{}}
	s.servers()
	for _, dir := range q.Folders {
		s.folder(dir, false)
	}
	for _, dir := range Folders {
		s.folder(dir, true)
	}
	a := Answer{Files: []File{}, Unread: []Unread{}}
	for _, held := range s.holder.served {
		if f, ok := s.judge(held, q); ok {
			a.Files = append(a.Files, f)
		}
	}
	if ctx.Err() != nil {
		s.missed(place{}, "(the rest)", TooMuch, "the time of "+Limit.String()+" was over before everything was looked at")
	}
	a.Unread = append(a.Unread, s.unread...)
	slices.SortStableFunc(a.Files, func(a, b File) int {
		return cmp.Or(a.Leaf.NotAfter.Compare(b.Leaf.NotAfter), cmp.Compare(a.Path, b.Path))
	})
	return a
}

// judge tells which roots carry a certificate: as its file has it, and by the
// certificates of issuing CAs that lie in other files.
func (s *search) judge(h held, q Question) (File, bool) {
	leaf := h.chain[0]
	f := File{Server: h.at.server, Config: h.at.config, Line: h.at.line, Path: h.path, Leaf: describe(leaf)}
	if leaf.X509 == nil {
		s.missed(h.at, h.path, NotRead, "its certificate cannot be used: "+root.Safe(leaf.X509Err.Error(), maxWhy))
		return f, false
	}
	at := q.At
	switch {
	case at.After(leaf.NotAfter):
		f.Ended, at = true, leaf.NotAfter.Add(-time.Minute)
	case at.Before(leaf.NotBefore):
		at = leaf.NotBefore
	}
	own := ders(h.chain)
	f.Anchors = probe.Anchors(own, q.Roots, at)
	more := probe.Anchors(append(own, ders(s.leading(h.chain))...), q.Roots, at)
	if len(more) == 0 && slices.ContainsFunc(h.chain, beyondGo) {
		s.missed(h.at, h.path, NotRead, "its chain cannot be judged, and programs other than those in Go may take it")
	}
	f.Short = len(f.Anchors) == 0 && len(more) > 0
	for _, fp := range more {
		if !slices.Contains(f.Anchors, fp) {
			f.Anchors = append(f.Anchors, fp)
		}
	}
	return f, true
}

// beyondGo reports a certificate that crypto/x509 lets no chain go by, and other
// libraries may.
func beyondGo(c *root.Certificate) bool {
	return c.X509 == nil || len(c.X509.UnhandledCriticalExtensions) > 0
}

// leading are the certificates of other files by which a chain may go on.
func (s *search) leading(chain []*root.Certificate) []*root.Certificate {
	var more []*root.Certificate
	in := map[root.Fingerprint]bool{}
	for _, c := range chain {
		in[c.Fingerprint()] = true
	}
	for todo := slices.Clone(chain); len(todo) > 0; todo = todo[1:] {
		for _, c := range s.holder.between {
			if len(more) < maxLeadings && !in[c.Fingerprint()] && bytes.Equal(c.Subject, todo[0].Issuer) {
				in[c.Fingerprint()] = true
				more, todo = append(more, c), append(todo, c)
			}
		}
	}
	return more
}

func ders(certs []*root.Certificate) [][]byte {
	var all [][]byte
	for _, c := range certs {
		all = append(all, c.Raw)
	}
	return all
}

// Bounds of what is told of a certificate.
const (
	maxNamesTold = 20
	maxNameTold  = 100
	maxWhy       = 300
)

// describe tells of a certificate for people.
func describe(c *root.Certificate) trust.ServedCertificate {
	d := trust.ServedCertificate{SHA256: c.Fingerprint(), Subject: c.SubjectText(), Issuer: c.IssuerText(),
		Serial: c.Serial.Text(16), NotBefore: c.NotBefore, NotAfter: c.NotAfter}
	if c.X509 == nil {
		return d
	}
	for _, n := range c.X509.DNSNames {
		if len(d.Names) < maxNamesTold {
			d.Names = append(d.Names, root.Safe(n, maxNameTold))
		}
	}
	for _, ip := range c.X509.IPAddresses {
		if len(d.Names) < maxNamesTold {
			d.Names = append(d.Names, ip.String())
		}
	}
	return d
}
