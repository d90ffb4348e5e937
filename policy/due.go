package policy

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math/bits"
	"slices"
	"strings"
	"time"

	"anchorhold.test/anchorhold/trust/root"
)

// HostFacts is what decides in which stages a host is.
type HostFacts struct {
	ID     string // the host's identity
	Labels map[string]string
}

// DueRoot is what a policy asks of one host for one root. Step is nil while
// nothing is due; Reason then says why.
type DueRoot struct {
	Root           Root
	Step           *Step
	Standing       Standing // of the step; retired where the step's Until has passed
	DeadlinePassed bool
	Reason         string
	Next           *time.Time // when the next stage opens for this host, if one is still to open
}

// Due returns every root of the document, in its order, with the last of its
// standings that is due for the host at that time. asOf comes from
// Verified.AsOf, so that a stale policy opens no stage.
func Due(doc Document, host HostFacts, asOf time.Time) []DueRoot {
	stages := map[string]Stage{AllHosts: {Name: AllHosts, Percent: 100}}
	for _, s := range doc.Stages {
		stages[s.Name] = s
	}
	due := make([]DueRoot, 0, len(doc.Roots))
	for _, r := range doc.Roots {
		due = append(due, dueRoot(r, doc.Name, stages, host, asOf))
	}
	return due
}

// Probed returns the services that the host is to probe at that time, in the
// document's order: those of the stages that it is in, and those that name no
// stage. asOf is as for [Due]. In a percentage a service counts by its address,
// as a root does by its fingerprint.
func Probed(doc Document, host HostFacts, asOf time.Time) []Service {
	stages := map[string]Stage{AllHosts: {Name: AllHosts, Percent: 100}}
	for _, s := range doc.Stages {
		stages[s.Name] = s
	}
	var services []Service
	for _, s := range doc.Services {
		in := len(s.Stages) == 0
		for _, name := range s.Stages {
			stage, declared := stages[name]
			opened := stage.Start == nil || !asOf.Before(*stage.Start)
			in = in || declared && opened && stage.outside(host, share(doc.Name, s.Address, host.ID)) == ""
		}
		if in {
			services = append(services, s)
		}
	}
	return services
}

func dueRoot(r Root, policy string, stages map[string]Stage, host HostFacts, asOf time.Time) DueRoot {
	d := DueRoot{Root: r}
	var waits []string
	for i := range r.Standings {
		step := &r.Standings[i]
		stage, declared := stages[step.Stage]
		if !declared { // a checked document declares all
			continue
		}
		if why := stage.outside(host, Share(policy, r.SHA256, host.ID)); why != "" {
			waits = append(waits, why)
			continue
		}
		if start := stage.Start; start != nil && asOf.Before(*start) {
			waits = append(waits, fmt.Sprintf("stage %q opens on %s", stage.Name, start.Format(timeLayout)))
			if d.Next == nil || start.Before(*d.Next) {
				d.Next = clonePointer(start)
			}
			continue
		}
		d.Step = step
	}
	if d.Step == nil {
		d.Reason = "nothing is due on this host: " + strings.Join(waits, ", ")
		return d
	}
	d.Standing = d.Step.Standing
	d.Reason = fmt.Sprintf("%s in stage %q", d.Standing, d.Step.Stage)
	if until := d.Step.Until; d.Standing == Trusted && until != nil && !asOf.Before(*until) {
		d.Standing = Retired
		d.Reason = fmt.Sprintf("trusted until %s", until.Format(timeLayout))
	}
	d.DeadlinePassed = d.Step.Deadline != nil && asOf.After(*d.Step.Deadline)
	return d
}

// outside says why the host is not in the stage whatever the time, or "".
func (s Stage) outside(host HostFacts, share uint64) string {
	var unlike []string
	for k, v := range s.Labels {
		if host.Labels[k] != v {
			unlike = append(unlike, k+"="+v)
		}
	}
	if len(unlike) > 0 {
		slices.Sort(unlike)
		return fmt.Sprintf("stage %q is for hosts with label %s", s.Name, strings.Join(unlike, ", "))
	}
	if host.ID == "" && s.Percent < 100 {
		return fmt.Sprintf("stage %q takes %d percent of the hosts, and this one has no identity yet", s.Name, s.Percent)
	}
	if !s.takes(share) {
		return fmt.Sprintf("stage %q takes %d percent of the hosts so far and not this one", s.Name, s.Percent)
	}
	return ""
}

// Share places a host on the line on which percentages count, for one root:
// the first 8 bytes of SHA-256 over host, policy and fingerprint. It depends
// on no stage, so a host that is among 10 percent is among 20 percent too.
func Share(policy string, fp root.Fingerprint, hostID string) uint64 {
	return share(policy, fp.String(), hostID)
}

func share(policy, what, hostID string) uint64 {
	sum := sha256.Sum256([]byte(hostID + "\x00" + policy + "\x00" + what))
	return binary.BigEndian.Uint64(sum[:8])
}

func (s Stage) takes(share uint64) bool {
	hundredth, _ := bits.Mul64(share, 100)
	return hundredth < uint64(max(0, s.Percent))
}

// Unwaived returns the findings that no waiver lets pass, in their order. What
// cannot be waived stays whatever the waivers say.
func Unwaived(findings []root.Finding, waivers []Waiver) []root.Finding {
	var left []root.Finding
	for _, f := range findings {
		if _, waived := waiverOf(f, waivers); !waived {
			left = append(left, f)
		}
	}
	return left
}

func waiverOf(f root.Finding, waivers []Waiver) (Waiver, bool) {
	for _, w := range waivers {
		if w.Code == f.Code && f.Severity == root.Refuse && f.Waivable {
			return w, true
		}
	}
	return Waiver{}, false
}
