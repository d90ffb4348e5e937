package agent

import (
	"fmt"
	"slices"

	"anchorhold.test/anchorhold/agent/ledger"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// Owner says whose a placement is.
type Owner string

// The owners; empty where there is no copy.
const (
	Us        Owner = "us"
	ByHand    Owner = "by hand"
	Package   Owner = "package"
	Directory Owner = "directory policy"
)

// Row is what is true of one root in one store, against what is wanted.
type Row struct {
	Want    Want
	State   trust.State
	Owner   Owner
	Found   []trust.Location
	Right   bool     // as wanted, and every asked account confirmed it
	Known   bool     // false: it could not be looked at
	Beyond  bool     // what is not right is none of what a refresh could change
	Reasons []string // why it is not right
	Next    []string // what to do about it
	Notes   []string // what to know although it is right
	Proofs  []trust.Proof
	Gone    *ledger.Tombstone // since when it is out, where the policy takes it out
}

// StoreView is one store as it was found.
type StoreView struct {
	Store        trust.StoreID
	Capabilities trust.Capabilities
	Snapshot     trust.Snapshot
	Err          error // it could not be observed
}

// Changed is one change that was tried.
type Changed struct {
	Change trust.Change
	Err    error // nil: it was read back
	Notes  []string

	Breaks    []Dependent // what verified before and does not any more
	Absent    []string    // withdraw and block: the readers that no longer read it
	StillRead []string    // those that do: the change is not done
}

// Result is what a cycle, a preview or a look found and did.
type Result struct {
	Rows      []Row
	Stores    []StoreView
	Waiting   []Waiting
	Unlisted  []ledger.Entry
	Planned   []Step // preview: what enforce would do now
	Held      []Held
	Changes   []Changed
	Witnessed []Witnessed // one for each refresh that was tried
	Suspended Suspensions // in force

	Successions []Succession
	Evidence    Evidence // what services told in this run; zero where nobody was asked
}

// advise says in the rows of held steps what lets them go: enforcing once more
// does not. Who only looked has asked nobody yet.
func (r *Result) advise(held []Held, looked bool) {
	for _, h := range held {
		row := r.row(h.Change.Store, h.Change.Root.Fingerprint)
		if row == nil {
			continue
		}
		row.Next = []string{h.Next}
		if looked && h.Asks {
			row.Next = []string{"'anchorhold preview' asks the services that may need it, and says for which it waits"}
			if d := h.Want.Deadline; d != nil {
				row.Next[0] += "; it goes by itself after " + d.Format("2006-01-02")
			}
		}
	}
}

// Right reports whether every due placement is as wanted.
func (r Result) Right() bool {
	return !slices.ContainsFunc(r.Rows, func(w Row) bool { return !w.Right })
}

// Known reports whether everything could be looked at.
func (r Result) Known() bool {
	return !slices.ContainsFunc(r.Rows, func(w Row) bool { return !w.Known })
}

// judge compares one want with its placement and proofs.
func judge(w Want, p trust.Placement, proofs []trust.Proof, owned Owned) Row {
	row := Row{Want: w, State: p.State, Owner: ownerOf(w, p.Found, owned), Found: p.Found, Known: p.State != trust.Unknown, Proofs: proofs}
	row.Reasons = slices.Clone(p.Reasons)
	switch w.Standing {
	case policy.Trusted:
		row.trusted(w, p)
	case policy.Retired, policy.Distrusted:
		row.leaving(w, p)
	}
	row.aside(w, p)
	row.drift(w, p, owned)
	failed := false
	for _, pr := range proofs {
		for _, f := range pr.Failures {
			row.Right, failed = false, true
			row.Reasons = append(row.Reasons, pr.Account+": "+f)
		}
		if pr.Unable != "" {
			row.Right, row.Known = false, false
			row.Reasons = append(row.Reasons, pr.Account+" could not be asked: "+pr.Unable)
		}
	}
	row.Known = row.Known || failed // what is wrong outranks what could not be told
	if !row.Known {
		row.Right = false
		next := "mend what could not be read, 'anchorhold verify' tells what and how; nothing is changed until it can"
		if owned == nil {
			next = "run it as root: 'sudo anchorhold verify'"
		}
		row.Next = append(row.Next, next)
	}
	return row
}

func (row *Row) trusted(w Want, p trust.Placement) {
	row.Right = p.State == trust.Placed
	if f, refused := w.Refused(); refused {
		if i := slices.IndexFunc(w.Findings, func(f root.Finding) bool { return f.Code == "expired" }); i >= 0 && row.Right {
			f, row.Right = w.Findings[i], false
			row.Reasons = append(row.Reasons, "it is in place and stays, but "+f.Reason+" and verifies nothing ["+f.Code+"]")
		} else if p.State == trust.Absent {
			row.Reasons = append(row.Reasons, "not placed: "+f.Reason+" ["+f.Code+"]")
		} else {
			row.Notes = append(row.Notes, "it is in place and stays, yet would not be placed today: "+f.Reason+" ["+f.Code+"]")
		}
		row.Next = append(row.Next, f.Remedy)
	} else if !row.Right && row.Known {
		row.Beyond = p.Beyond()
		row.Next = append(row.Next, p.Helps...)
		if !row.Beyond {
			row.Next = append(row.Next, "sudo anchorhold enforce")
		}
	}
	if w.Until != nil {
		row.Notes = append(row.Notes, "trusted until "+w.Until.Format("2006-01-02")+", then it retires by itself")
	}
	for _, l := range strays(sources(p), row.Owner) {
		row.Notes = append(row.Notes, "stray: a second copy, "+l.Path)
	}
	for _, f := range w.Findings {
		if f.Severity == root.Warn {
			row.Notes = append(row.Notes, f.Reason+" ["+f.Code+"]")
		}
	}
}

func (row *Row) leaving(w Want, p trust.Placement) {
	row.Right = (p.State == trust.Absent || p.State == trust.Refused) && !sweeps(w, p)
	if row.Right && len(p.Opaque) > 0 { // it may be in there
		row.Right, row.Known = false, false
		row.Next = append(row.Next, p.Helps...)
	}
	if row.Right || !row.Known {
		return
	}
	row.State = trust.Lingering
	row.Reasons = nil
	for _, l := range p.Found {
		what := "still in " + l.Part + ": " + l.Path
		if l.Dangling {
			what = "left over in " + l.Part + ": " + l.Path + " points to a file that is gone"
		}
		row.Reasons = append(row.Reasons, what)
	}
	if directed(p) && w.Standing == policy.Retired {
		row.Reasons = append(row.Reasons, "a directory's policy brings it, and would bring it back")
		row.Next = append(row.Next, "ask whoever runs the domain's Group Policy to take it out there")
		return
	}
	if name := packaged(p); name != "" && w.Standing == policy.Retired {
		row.Reasons = append(row.Reasons, "it belongs to "+name+", which a retirement leaves alone")
		row.Next = append(row.Next, "give it the standing 'distrusted' in the policy, or remove "+name)
		return
	}
	row.Next = append(row.Next, "sudo anchorhold enforce")
}

// sources returns the copies that are certificates in the store's source, ours
// or anybody's.
func sources(p trust.Placement) []trust.Location {
	var s []trust.Location
	for _, l := range p.Found {
		if l.Part == SourcePart && !l.Dangling {
			s = append(s, l)
		}
	}
	return s
}

// strays are the copies beside the one that counts: ours where there is one of
// ours, else the first.
func strays(copies []trust.Location, owner Owner) []trust.Location {
	counts := 0
	if owner == Us {
		counts = max(0, slices.IndexFunc(copies, func(l trust.Location) bool { return l.Named }))
	}
	if len(copies) == 0 {
		return nil
	}
	return slices.Delete(slices.Clone(copies), counts, counts+1)
}

// SourcePart is the name that every store gives the part in which people and
// packages put roots.
const SourcePart = "source"

// ownerOf says whose the copies are; who may not read the ledger (owned is nil)
// is told nothing rather than a guess.
func ownerOf(w Want, found []trust.Location, owned Owned) Owner {
	if len(found) == 0 || owned == nil {
		return ""
	}
	if owned.Placed(w.Store, w.Root.Fingerprint) {
		return Us
	}
	for _, l := range found {
		switch l.Origin {
		case trust.FromPackage:
			return Package
		case trust.FromDirectory:
			return Directory
		}
	}
	return ByHand
}

// missingStore is the row of a store that this host has not, or that could not
// be observed.
func missingStore(w Want, v *StoreView) Row {
	row := Row{Want: w, State: trust.Unknown}
	if v != nil {
		row.Reasons = []string{fmt.Sprintf("cannot look at store %s: %v", w.Store, v.Err)}
		return row
	}
	row.State, row.Known = trust.Absent, true
	row.Reasons = []string{fmt.Sprintf("this version of anchorhold has no store %q on this host", w.Store)}
	row.Next = []string{"take the store out of the root's list for this host's stage, or run a version that serves it"}
	row.Right = w.Standing != policy.Trusted
	return row
}
