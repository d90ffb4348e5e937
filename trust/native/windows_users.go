package native

import (
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// lookElsewhere looks for roots among the machine's intermediates, and in other
// stores where they have no effect as roots.
func (w *Windows) lookElsewhere(st *winState) {
	part := trust.Part{Name: trust.OtherStores, Kind: trust.Aside, Path: winMachine, Present: true}
	for _, home := range []string{winMachine, winPolicies, winEnterprise} {
		for _, store := range winElsewhere {
			at := home + `\` + store
			w.each(at, nil, func(k winKey, b blob) {
				if c, err := root.Parse(b.der); err == nil && c.Role() != root.RoleRoot {
					return
				}
				st.add(b.der, trust.Location{Part: part.Name, Path: at + `\Certificates\` + shown(k.Name), Origin: trust.FromLocal})
				part.Count++
			})
		}
	}
	st.snap.Parts = append(st.snap.Parts, part)
}

// userStore is one account's own store.
type userStore struct{ at, whose string }

// lookUsers looks through the stores of the accounts whose registry is loaded,
// and of services. Nobody's is loaded for that.
func (w *Windows) lookUsers(st *winState) {
	part := trust.Part{Name: trust.UserStores, Kind: trust.Aside, Path: winUsers, Present: true}
	stores, blind := w.userStores()
	for _, u := range stores {
		w.each(u.at+`\`+winRoot, nil, func(k winKey, b blob) {
			st.add(b.der, trust.Location{Part: part.Name, Path: u.at + `\` + winRoot + `\Certificates\` + shown(k.Name), Origin: trust.FromLocal})
			part.Count++
		})
	}
	if len(blind) > 0 {
		part.Faults = append(part.Faults, trust.Fault{Code: "not-inspected", Path: winUsers,
			What: fmt.Sprintf("%d accounts are not signed in, so their own stores were not looked at: %s", len(blind), few(blind)),
			Harm: "a copy of a root may lie there unseen"})
	}
	st.snap.Parts = append(st.snap.Parts, part)
}

// few names at most five.
func few(names []string) string {
	const most = 5
	if len(names) > most {
		return strings.Join(names[:most], ", ") + " and others"
	}
	return strings.Join(names, ", ")
}

// userStores lists the stores that can be looked at, and whose cannot.
func (w *Windows) userStores() (stores []userStore, blind []string) {
	loaded, err := w.api.Subkeys(winUsers)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		blind = append(blind, "all of them ("+err.Error()+")")
	}
	slices.Sort(loaded)
	for _, sid := range loaded[:min(len(loaded), maxUserStores)] {
		if !strings.HasSuffix(sid, "_Classes") {
			stores = append(stores, userStore{winUsers + `\` + sid + `\` + winOfUser, shown(sid)})
		}
	}
	services, _ := w.api.Subkeys(winServices)
	slices.Sort(services)
	for _, name := range services[:min(len(services), maxUserStores)] {
		stores = append(stores, userStore{winServices + `\` + name + `\SystemCertificates`, "service " + shown(name)})
	}
	profiles, _ := w.api.Subkeys(winProfiles)
	slices.Sort(profiles)
	for _, sid := range profiles {
		if !slices.ContainsFunc(loaded, func(l string) bool { return strings.EqualFold(l, sid) }) {
			blind = append(blind, shown(sid))
		}
	}
	return stores, blind
}
