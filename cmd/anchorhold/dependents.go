package main

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/dependent"
	"anchorhold.test/anchorhold/trust/root"
)

// Kinds of dependents.
const (
	kindService  = "service"
	kindListener = "listener"
	kindFile     = "file"
)

// dependentOn is one certificate whose chain ends at the root in question, and
// where it was found.
type dependentOn struct {
	Kind   string                  // one of the kinds
	What   string                  // whose it is: the service's name, the program that listens, the kind of server
	Where  string                  // address or path
	Config string                  // the file and line that name it
	Leaf   trust.ServedCertificate // what is served
	Also   []root.Fingerprint      // other roots of this host's store that carry it
	Later  []root.Fingerprint      // roots that would carry it, were they in the store
	Short  bool                    // its file lacks an issuing CA's certificate
}

// breaks reports whether it stops verifying on this host where the root goes.
func (d dependentOn) breaks() bool { return len(d.Also) == 0 }

// unasked is an endpoint of which it is not known what it serves.
type unasked struct {
	target trust.Target
	remote string
	why    string
}

// dependence is all that is known of who depends on a root.
type dependence struct {
	root    *root.Certificate
	all     []dependentOn // those that end first come first
	ended   int           // certificates by it that have expired already
	unread  []dependent.Unread
	unasked []unasked
	blind   []string
}

// dependentsOf finds who depends on a root, out of what services serve and what
// lies in files. in reports whether a root is in this host's store.
func dependentsOf(c *root.Certificate, in func(root.Fingerprint) bool, verdicts []trust.Verdict, files dependent.Answer) dependence {
	d := dependence{root: c, unread: files.Unread}
	fp := c.Fingerprint()
	for _, v := range verdicts {
		d.service(fp, in, v)
	}
	for _, f := range files.Files {
		if !slices.Contains(f.Anchors, fp) {
			continue
		}
		if f.Ended {
			d.ended++
			continue
		}
		one := dependentOn{Kind: kindFile, What: cmp.Or(f.Server, "a folder"), Where: f.Path, Leaf: f.Leaf, Short: f.Short}
		if f.Config != "" {
			one.Config = atLine(f.Config, f.Line)
		}
		one.Also, one.Later = others(fp, in, f.Anchors, nil)
		d.all = append(d.all, one)
	}
	slices.SortStableFunc(d.all, func(a, b dependentOn) int { return a.Leaf.NotAfter.Compare(b.Leaf.NotAfter) })
	return d
}

// service takes the endpoints of one service or listener in: one row for each
// certificate.
func (d *dependence) service(fp root.Fingerprint, in func(root.Fingerprint) bool, v trust.Verdict) {
	var seen []root.Fingerprint
	if len(v.Endpoints) == 0 {
		d.unasked = append(d.unasked, unasked{v.Target, "", firstFinding(v.Findings, "nobody could be asked")})
	}
	for _, e := range v.Endpoints {
		switch {
		case agent.Aside(v, e):
		case agent.Unjudged(e):
			d.unasked = append(d.unasked, unasked{v.Target, e.Remote, "its certificates cannot be judged, and other programs may take them"})
		case e.Leaf == nil && e.Answer != trust.NotTLS:
			why := firstFinding(e.Findings, string(e.Answer))
			d.unasked = append(d.unasked, unasked{v.Target, e.Remote, strings.TrimPrefix(why, e.Remote+": ")})
		case e.Leaf == nil || !slices.Contains(e.Anchors, fp) || slices.Contains(seen, e.Leaf.SHA256):
		default:
			seen = append(seen, e.Leaf.SHA256)
			one := dependentOn{Kind: kindService, What: v.Target.Service, Where: v.Target.Address, Leaf: *e.Leaf}
			if v.Target.Listener {
				one.Kind, one.What = kindListener, v.Target.Process
			}
			one.Also, one.Later = others(fp, in, e.Anchors, e.Doubted)
			d.all = append(d.all, one)
		}
	}
}

// firstFinding is the first fault that was found, or else a word for it.
func firstFinding(all []trust.ServiceFinding, or string) string {
	for _, f := range all {
		if f.Severity == root.Refuse {
			return f.What
		}
	}
	return or
}

// others parts the other anchors that would do for every program by whether
// they are in the store.
func others(fp root.Fingerprint, in func(root.Fingerprint) bool, anchors, doubted []root.Fingerprint) (also, later []root.Fingerprint) {
	for _, a := range anchors {
		switch {
		case !trust.Replaces(a, fp, anchors, doubted):
		case in(a):
			also = append(also, a)
		default:
			later = append(later, a)
		}
	}
	return also, later
}

// alone are those that stop verifying on this host where the root goes.
func (d dependence) alone() []dependentOn {
	return slices.DeleteFunc(slices.Clone(d.all), func(o dependentOn) bool { return !o.breaks() })
}

// safe is the first day on which nothing that was found depends on the root
// alone any more, by the dates of certificates and of the root itself. It is
// zero where nothing does now.
func (d dependence) safe() time.Time {
	var last time.Time
	for _, o := range d.alone() {
		if o.Leaf.NotAfter.After(last) {
			last = o.Leaf.NotAfter
		}
	}
	if last.IsZero() {
		return last
	}
	if end := d.root.NotAfter; end.Before(last) {
		last = end
	}
	return last.UTC().Truncate(24*time.Hour).AddDate(0, 0, 1)
}

// open counts what may hide a dependent: files that could not be inspected,
// endpoints that did not answer. A name of nothing hides none.
func (d dependence) open() int {
	n := len(d.unasked)
	for _, u := range d.unread {
		if u.Reason != dependent.Missing {
			n++
		}
	}
	return n
}

// code is the exit code: 0 nobody depends on it, 1 somebody does, 2 nobody was
// found and not everything could be looked at.
func (d dependence) code() int {
	switch {
	case len(d.all) > 0:
		return exitWrong
	case d.open() > 0:
		return exitUnknown
	}
	return exitRight
}
