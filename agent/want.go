package agent

import (
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// Want is what the standing of one root asks of one store on this host.
type Want struct {
	Store          trust.StoreID
	Root           trust.Root
	Label          string
	Standing       policy.Standing
	Stage          string
	Deadline       *time.Time
	DeadlinePassed bool
	Until          *time.Time // trusted until then; passed where Standing is retired
	Own            bool
	Sweep          bool // copies in accounts' own stores go too
	Succeeds       *root.Fingerprint
	Sample         [][]byte
	Expired        bool           // the certificate's own end has passed
	Findings       []root.Finding // vetting on this host, waived ones left out
}

// Refused returns the finding that keeps the root from being placed, if any.
func (w Want) Refused() (root.Finding, bool) {
	for _, f := range w.Findings {
		if f.Severity == root.Refuse {
			return f, true
		}
	}
	return root.Finding{}, false
}

// Waiting is a root of the policy of which nothing is due on this host yet.
type Waiting struct {
	Root   root.Fingerprint
	Label  string
	Reason string
}

// Wants lists what the policy asks of this host at the time that the policy
// itself allows: a stale one opens no stage and passes no deadline.
func Wants(p policy.Verified, host policy.HostFacts) ([]Want, []Waiting) {
	if p.IsZero() {
		return nil, nil
	}
	doc, asOf := p.Document(), p.AsOf()
	certs := certificates(doc)
	var wants []Want
	var waiting []Waiting
	for _, due := range policy.Due(doc, host, asOf) {
		r := due.Root
		if due.Step == nil {
			waiting = append(waiting, Waiting{Root: r.SHA256, Label: r.Label, Reason: due.Reason})
			continue
		}
		w := Want{
			Root:           trust.Root{Fingerprint: r.SHA256, DER: r.DER},
			Label:          r.Label,
			Standing:       due.Standing,
			Stage:          due.Step.Stage,
			Deadline:       due.Step.Deadline,
			DeadlinePassed: due.DeadlinePassed,
			Until:          due.Step.Until,
			Own:            r.Own,
			Sweep:          r.Sweep,
			Succeeds:       r.Succeeds,
			Sample:         r.Sample,
		}
		if c := certs[r.SHA256]; c != nil {
			w.Expired = !c.NotAfter.IsZero() && p.Now().After(c.NotAfter)
			if w.Standing == policy.Trusted {
				w.Findings = policy.Unwaived(root.Vet(c, p.Now(), others(certs, r.SHA256)), r.Waivers)
			}
		}
		for _, s := range r.Stores {
			w.Store = trust.StoreID(s)
			wants = append(wants, w)
		}
	}
	return wants, waiting
}

func certificates(doc policy.Document) map[root.Fingerprint]*root.Certificate {
	certs := make(map[root.Fingerprint]*root.Certificate, len(doc.Roots))
	for _, r := range doc.Roots {
		if c, err := root.Parse(r.DER); err == nil {
			certs[r.SHA256] = c
		}
	}
	return certs
}

func others(certs map[root.Fingerprint]*root.Certificate, but root.Fingerprint) []*root.Certificate {
	var o []*root.Certificate
	for fp, c := range certs {
		if fp != but {
			o = append(o, c)
		}
	}
	return o
}
