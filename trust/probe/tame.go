package probe

import (
	"fmt"
	"slices"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

var answers = []trust.Answer{trust.Verifies, trust.Fails, trust.Silent, trust.NotTLS}

// tame refuses a verdict that this program does not give, and makes every text
// in it safe to show.
func tame(v *trust.Verdict) error {
	if !slices.Contains(answers, v.Answer) {
		return fmt.Errorf("%q is no answer of ours", root.Safe(string(v.Answer), maxName))
	}
	if err := tameFindings(v.Findings); err != nil {
		return err
	}
	for i := range v.Endpoints {
		e := &v.Endpoints[i]
		if !slices.Contains(answers, e.Answer) {
			return fmt.Errorf("%q is no answer of ours", root.Safe(string(e.Answer), maxName))
		}
		if err := tameFindings(e.Findings); err != nil {
			return err
		}
		e.Remote, e.Version = calm(e.Remote), calm(e.Version)
		if e.Leaf != nil {
			calmCertificate(e.Leaf)
		}
		for k := range e.Sent {
			calmCertificate(&e.Sent[k])
		}
		for k := range e.Path {
			calmCertificate(&e.Path[k].ServedCertificate)
		}
	}
	return nil
}

// tameFindings takes the meaning of each code from this program, whatever the
// child wrote.
func tameFindings(fs []trust.ServiceFinding) error {
	for i, f := range fs {
		if _, known := kinds[f.Code]; !known {
			return fmt.Errorf("%q is no finding of ours", root.Safe(f.Code, maxName))
		}
		fs[i] = finding(f.Code, "%s", calm(f.What))
	}
	return nil
}

func calmCertificate(c *trust.ServedCertificate) {
	c.Subject, c.Issuer, c.Serial = calm(c.Subject), calm(c.Issuer), calm(c.Serial)
	for i, n := range c.Names {
		c.Names[i] = calm(n)
	}
}

// maxCalm bounds one text of a child, in characters.
const maxCalm = 2000

func calm(s string) string { return root.SafeStill(s, maxCalm) }
