package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

var answerTint = map[trust.Answer]tint{trust.Verifies: good, trust.Fails: bad, trust.Silent: uneasy, trust.NotTLS: uneasy}

// showVerdicts writes each service with its chain and what was found, and last
// how many verify.
func (a *app) showVerdicts(s *scene, verdicts []trust.Verdict) {
	right := 0
	for _, v := range verdicts {
		if v.Answer == trust.Verifies {
			right++
		}
		a.showVerdict(s, v)
	}
	tint := good
	if right < len(verdicts) {
		tint = bad
	}
	fmt.Fprintln(a.out, paint(fmt.Sprintf("%d of %s.", right, verb(len(verdicts))), tint, a.colour()))
}

func verb(n int) string {
	if n == 1 {
		return "1 verifies"
	}
	return fmt.Sprintf("%d verify", n)
}

func (a *app) showVerdict(s *scene, v trust.Verdict) {
	w, colour := a.out, a.colour()
	fmt.Fprintf(w, "%s  %s\n", paint(string(v.Answer), answerTint[v.Answer], colour), onScreen(targetName(v.Target)))
	a.showServiceFindings(v.Findings)
	for _, e := range alike(v.Endpoints) {
		if e.Remote != "" {
			fmt.Fprintf(w, "  at %s\n", onScreen(strings.TrimSpace(e.Remote+"  "+e.Version)))
		}
		if e.Leaf != nil {
			fmt.Fprintf(w, "    for %s, serial %s, until %s\n", onScreen(servedNames(*e.Leaf)), onScreen(e.Leaf.Serial), e.Leaf.NotAfter.Format(day))
		}
		a.showPath(s, e)
		a.showServiceFindings(e.Findings)
	}
	fmt.Fprintln(w)
}

// alike joins endpoints that differ in their address alone.
func alike(ends []trust.Endpoint) []trust.Endpoint {
	var out []trust.Endpoint
	for _, e := range ends {
		i := slices.IndexFunc(out, func(o trust.Endpoint) bool {
			return o.Leaf != nil && e.Leaf != nil && o.Leaf.SHA256 == e.Leaf.SHA256 && o.Answer == e.Answer && o.Version == e.Version && slices.Equal(o.Findings, e.Findings)
		})
		if i < 0 {
			out = append(out, e)
			continue
		}
		out[i].Remote += ", " + e.Remote
	}
	return out
}

// showPath draws the chain, from the service up to the root.
func (a *app) showPath(s *scene, e trust.Endpoint) {
	for i, l := range e.Path {
		fp := l.SHA256
		say := l.Subject
		switch {
		case l.In:
			say += "  " + fp.Short() + "  root, in this host's store"
		case l.More:
			say += "  " + fp.Short() + "  root, not in this host's store"
		case !l.Sent:
			say += "  not sent"
		}
		if st := s.standing(fp); st != "" && (l.In || l.More) {
			say += ", " + string(st) + " by the policy"
		}
		fmt.Fprintf(a.out, "    %s%s\n", strings.Repeat("  ", i), onScreen(say))
	}
}

var severityTint = map[root.Severity]tint{root.Refuse: bad, root.Warn: uneasy, root.Note: faint}

func (a *app) showServiceFindings(fs []trust.ServiceFinding) {
	for _, f := range fs {
		fmt.Fprintf(a.out, "    %s\n", paint(onScreen(f.What+" ["+f.Code+"]"), severityTint[f.Severity], a.colour()))
		if f.Severity == root.Note {
			continue
		}
		if f.Users != "" {
			remark{"seen", f.Users}.write(a.out, a.colour())
		}
		if f.Next != "" {
			remark{"next", f.Next}.write(a.out, a.colour())
		}
	}
}

func targetName(t trust.Target) string {
	name := t.Address
	if t.Service != "" && t.Service != t.Address {
		name = t.Service + " (" + t.Address + ")"
	}
	if t.Identity != "" {
		name += " as " + t.Identity
	}
	return name
}

// leaves are the certificates that a service's addresses serve as their own,
// each once.
func leaves(v trust.Verdict) []trust.ServedCertificate {
	var out []trust.ServedCertificate
	for _, e := range v.Endpoints {
		if e.Leaf != nil && !slices.ContainsFunc(out, func(c trust.ServedCertificate) bool { return c.SHA256 == e.Leaf.SHA256 }) {
			out = append(out, *e.Leaf)
		}
	}
	return out
}

func serials(v trust.Verdict) string {
	var all []string
	for _, c := range leaves(v) {
		all = append(all, c.Serial)
	}
	return strings.Join(all, ", ")
}

// jsonVerdicts is the result for programs.
type jsonVerdicts struct {
	Schema   int             `json:"schema"`
	Exit     int             `json:"exit"`
	At       time.Time       `json:"at"` // by which certificates were judged
	Services []trust.Verdict `json:"services"`
	Roots    []jsonAnchor    `json:"roots"` // every anchor that is named above
}

type jsonAnchor struct {
	Root     root.Fingerprint `json:"sha256"`
	Name     string           `json:"name"`
	InStore  bool             `json:"in_store"`
	Standing policy.Standing  `json:"standing,omitempty"`
}

// printVerdicts writes the result for programs and returns its verdict.
func (a *app) printVerdicts(s *scene, verdicts []trust.Verdict) error {
	end := probed(verdicts)
	j := jsonVerdicts{Schema: jsonSchema, Exit: codeOf(end), At: s.now, Services: verdicts, Roots: []jsonAnchor{}}
	var named []root.Fingerprint
	for _, v := range verdicts {
		for _, e := range v.Endpoints {
			named = append(named, e.Anchors...)
		}
	}
	for _, fp := range trust.SortRoots(named) {
		j.Roots = append(j.Roots, jsonAnchor{fp, s.name(fp), s.holds(fp), s.standing(fp)})
	}
	if err := encode(a.result, j); err != nil {
		return err
	}
	return end
}
