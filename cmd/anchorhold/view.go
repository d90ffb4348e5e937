package main

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/reader"
	"anchorhold.test/anchorhold/trust/root"
)

// day is how dates are shown to people.
const day = "2006-01-02"

// showPolicy writes what the host follows, and all there is to say against it.
func (a *app) showPolicy(m *machine) {
	b, w := m.belief, a.out
	if b.Policy.IsZero() {
		fmt.Fprintln(w, "Policy  none is believed on this host")
	} else {
		d := b.Policy.Document()
		days := d.Expires.Sub(b.Policy.Now()).Hours() / 24
		left := count(int(math.Ceil(days)), "day", "days")
		if days < 0 {
			left = "ended " + count(int(math.Ceil(-days)), "day", "days") + " ago"
		}
		fmt.Fprintf(w, "Policy  %s, version %d (epoch %d), until %s (%s)\n", d.Name, d.Version, d.Epoch, d.Expires.Format(day), left)
		fmt.Fprintf(w, "Signed  by %s\n", strings.Join(b.Policy.Signers(), ", "))
	}
	fmt.Fprintf(w, "Host    %s%s\n", cmp.Or(m.facts.ID, "without an identity yet: the first 'enforce' makes it"), labels(m.facts.Labels))
	a.showSource(m)
	for _, c := range b.Conditions {
		said := conditions[c]
		t := bad
		switch c {
		case agent.NoFloor:
			t = faint
		case agent.Unverified:
			t = uneasy
		}
		fmt.Fprintf(w, "%s\n", paint(string(c)+": "+said.what, t, a.colour()))
		if why := whyOf(c, b); why != "" {
			remark{"why", why}.write(w, a.colour())
		}
		remark{"next", said.next}.write(w, a.colour())
	}
	fmt.Fprintln(w)
}

func labels(l map[string]string) string {
	var pairs []string
	for k, v := range l {
		pairs = append(pairs, k+"="+v)
	}
	slices.Sort(pairs)
	if len(pairs) == 0 {
		return ""
	}
	return "  " + strings.Join(pairs, " ")
}

var conditions = map[agent.Condition]struct{ what, next string }{
	agent.Unreachable: {"the policy source cannot be read; nothing changes by that", "put the policy file where the settings say, or import one by hand: anchorhold enforce --policy FILE"},
	agent.Refused:     {"the offered policy is not believed; the last good one stays", "ask the policy's signers; 'anchorhold open FILE' shows what is in it"},
	agent.TooNew:      {"the offered policy needs a newer anchorhold; the last good one stays", "upgrade anchorhold on this host"},
	agent.Unverified:  {"TLS could not tell who the policy source is; the policy's own signatures were checked and count", "mend the source's certificate, or name the roots that it is verified by: [source] ca in the settings"},
	agent.Stale:       {"the policy has expired; what was due stays in force, nothing new begins", "have the next version signed"},
	agent.ClockBehind: {"this machine's clock is before the day on which the policy was signed: the clock is wrong, not the roots", "set the clock; until then the policy's own date counts"},
	agent.NoPolicy:    {"nothing is believed here, so nothing is changed", "put a policy that the keyset of this host signed where the settings say"},
	agent.MemoryLost:  {"what this host remembered of policies is gone; versions count from its pin and min_version again, or from the policy that was in force", "the next enforcement writes it anew; find out who took it away, and compare the version with the signers'"},
	agent.NoFloor:     {"you may not see which versions this host has accepted before", "run it as root to be sure"},
}

// showRows writes the table: each root by each store.
func (a *app) showRows(r agent.Result, prove string) {
	stores := storesOf(r)
	t := table{head: []string{"ROOT", "SHA-256", "STANDING"}}
	for _, s := range stores {
		t.head = append(t.head, strings.ToUpper(string(s)))
	}
	t.head = append(t.head, prove)
	for _, group := range byRoot(r) {
		w := group[0].Want
		cells := []cell{{w.Label, plain}, {w.Root.Fingerprint.Short(), faint}, {string(w.Standing), plain}}
		var say []remark
		for _, s := range stores {
			i := slices.IndexFunc(group, func(row agent.Row) bool { return row.Want.Store == s })
			if i < 0 {
				cells = append(cells, cell{"", plain})
				continue
			}
			cells = append(cells, state(group[i]))
			say = append(say, remarks("why", group[i].Reasons)...)
			say = append(say, remarks("next", group[i].Next)...)
			say = append(say, remarks("note", group[i].Notes)...)
		}
		t.add(say, append(cells, proven(group))...)
	}
	for _, w := range r.Waiting {
		t.add(remarks("note", []string{w.Reason}), cell{w.Label, plain}, cell{w.Root.Short(), faint}, cell{"not due yet", faint})
	}
	if len(t.rows) == 0 {
		fmt.Fprintln(a.out, "The policy asks nothing of this host.")
		return
	}
	t.write(a.out, a.colour())
}

func storesOf(r agent.Result) []trust.StoreID {
	var ids []trust.StoreID
	for _, row := range r.Rows {
		if !slices.Contains(ids, row.Want.Store) {
			ids = append(ids, row.Want.Store)
		}
	}
	return ids
}

func byRoot(r agent.Result) [][]agent.Row {
	var order []root.Fingerprint
	rows := map[root.Fingerprint][]agent.Row{}
	for _, row := range r.Rows {
		fp := row.Want.Root.Fingerprint
		if rows[fp] == nil {
			order = append(order, fp)
		}
		rows[fp] = append(rows[fp], row)
	}
	var groups [][]agent.Row
	for _, fp := range order {
		groups = append(groups, rows[fp])
	}
	return groups
}

func state(row agent.Row) cell {
	text, t := string(row.State), good
	if row.Owner != "" {
		text += ", " + string(row.Owner)
	}
	text += since(row)
	switch {
	case !row.Known:
		t = uneasy
	case !row.Right:
		t = bad
	}
	return cell{text, t}
}

// proven names the accounts that confirmed every store of the root.
func proven(group []agent.Row) cell {
	holds := map[string]bool{}
	var names []string
	for _, row := range group {
		for _, p := range row.Proofs {
			ok, seen := holds[p.Account]
			if !seen {
				names = append(names, p.Account)
				ok = true
			}
			holds[p.Account] = ok && p.Holds
		}
	}
	names = slices.DeleteFunc(names, func(n string) bool { return !holds[n] })
	if len(names) == 0 {
		return cell{"-", faint}
	}
	return cell{strings.Join(names, ", "), good}
}

// showStores writes what is wrong with the stores themselves, worst first.
func (a *app) showStores(r agent.Result) {
	for _, v := range r.Stores {
		if v.Err != nil {
			fmt.Fprintf(a.out, "\nStore %s: %v\n", v.Store, v.Err)
			continue
		}
		var say []remark
		for _, p := range v.Snapshot.Parts {
			if p.Blocked != nil {
				say = append(say, remark{"why", fmt.Sprintf("no account but root can read %s: %s", p.Name, p.Blocked)})
			}
			if p.Unread != "" {
				say = append(say, remark{"why", fmt.Sprintf("%s was not read: %s", p.Name, p.Unread)})
			}
			if p.Present && p.Opaque != "" {
				say = append(say, remark{"why", fmt.Sprintf("what %s holds cannot be told: %s", p.Name, p.Opaque)})
			}
			say = append(say, faults(p.Faults)...)
		}
		say = append(say, faults(v.Snapshot.Faults)...)
		if len(say) == 0 {
			continue
		}
		fmt.Fprintf(a.out, "\nStore %s (%s)\n", v.Store, v.Capabilities.Family)
		for _, r := range say {
			r.write(a.out, a.colour())
		}
	}
	for _, e := range r.Unlisted {
		fmt.Fprintf(a.out, "\nUnlisted: %s was %s in store %s on %s for policy %s, which no longer names it; it stays so.\n", e.Root.Short(), didDo[e.Op], e.Store, e.Since.Format(day), e.Policy)
		if e.Op == trust.Block {
			remark{"next", "to lift it, have the root named in the policy again, as trusted"}.write(a.out, a.colour())
		}
	}
}

func faults(fs []trust.Fault) []remark {
	var say []remark
	for _, f := range fs {
		text := f.Path + ": " + f.What
		if f.Harm != "" {
			text += "; " + f.Harm
		}
		say = append(say, remark{"note", text + " [" + f.Code + "]"})
		if f.Whose != "" {
			say = append(say, remark{"note", "it is " + f.Whose})
		}
		if f.Next != "" {
			say = append(say, remark{"next", f.Next})
		}
	}
	return say
}

// showEnd writes the one line that is read first.
func (a *app) showEnd(r agent.Result) {
	wrong, unknown := 0, 0
	for _, row := range r.Rows {
		switch {
		case !row.Known:
			unknown++
		case !row.Right:
			wrong++
		}
	}
	total := len(r.Rows)
	text, t := "", good
	switch {
	case wrong > 0:
		text, t = fmt.Sprintf("Not as wanted: %d of %s.", wrong, count(total, "placement", "placements")), bad
	case len(r.Torn()) > 0:
		text, t = fmt.Sprintf("Not as wanted: %s itself.", count(len(r.Torn()), "fault of the store", "faults of the store")), bad
	case unknown > 0:
		text, t = fmt.Sprintf("Could not tell: %d of %s.", unknown, count(total, "placement", "placements")), uneasy
	case len(r.Suspended) > 0:
		text, t = fmt.Sprintf("As wanted, as far as %s.", count(len(r.Suspended), "suspension lets it", "suspensions let it")), uneasy
	case total > 0:
		text = "All is as wanted: " + count(total, "placement", "placements") + ", read back and proven."
	}
	if text != "" {
		fmt.Fprintf(a.out, "\n%s\n", paint(text, t, a.colour()))
	}
	if bare := selfProven(r); bare > 0 {
		fmt.Fprintf(a.out, "%s\n", paint(count(bare, "root was", "roots were")+" proven without a server's certificate; with a 'sample' in the policy hosts validate a server's certificate.", faint, a.colour()))
	}
}

// selfProven counts the roots that nothing below them was validated with.
func selfProven(r agent.Result) int {
	n := 0
	for _, row := range r.Rows {
		if row.Right && row.Want.Standing == policy.Trusted && len(row.Want.Sample) == 0 {
			n++
		}
	}
	return n
}

func when(t *time.Time) string {
	if t == nil {
		return ""
	}
	return t.Format(day)
}

// showUnasked names the accounts of the settings that only root can ask.
func (a *app) showUnasked(m *machine) {
	if reader.CanAskOthers() || m.belief.Policy.IsZero() {
		return
	}
	fmt.Fprintf(a.out, "%s\n", paint("Read back by you alone; not asked: "+strings.Join(m.settings.Accounts, ", ")+".", uneasy, a.colour()))
	remark{"next", "sudo anchorhold verify"}.write(a.out, a.colour())
}
