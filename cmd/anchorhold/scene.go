package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"time"

	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/native"
	"anchorhold.test/anchorhold/trust/root"
)

// scene is what this host judges services by: the roots of its store, and those
// of its policy where it follows one.
type scene struct {
	host     *host.Host
	m        *machine // nil where the host follows nobody
	in, more []trust.Root
	prober   trust.Prober
	now      time.Time

	standings map[root.Fingerprint]policy.Standing // what the policy says for this host
}

// scene looks at the machine's store and the policy. It needs no root, and no
// settings.
func (a *app) scene(ctx context.Context) (*scene, error) {
	s := &scene{host: host.System(), now: a.now()}
	var stores []trust.Store
	_, err := s.host.Stat(settingsPath)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if stores, err = native.Detect(ctx, s.host); err != nil {
			return nil, err
		}
	default:
		if s.m, err = a.machine(ctx, nil); err != nil {
			return nil, err
		}
		s.now, stores = s.m.now(a), s.m.agent.Stores
	}
	s.prober = prober{s.host, func() time.Time { return floored(s.now, a.now()) }}
	if err := s.look(ctx, stores); err != nil {
		return nil, err
	}
	if s.m != nil && !s.m.belief.Policy.IsZero() {
		s.heed(s.m.belief.Policy, s.m.facts)
	}
	return s, nil
}

// heed takes the roots of a policy in, and what it says of each here.
func (s *scene) heed(p policy.Verified, facts policy.HostFacts) {
	s.standings = map[root.Fingerprint]policy.Standing{}
	for _, d := range policy.Due(p.Document(), facts, p.AsOf()) {
		r := d.Root
		if len(r.DER) > 0 && !s.holds(r.SHA256) {
			s.more = append(s.more, trust.Root{Fingerprint: r.SHA256, DER: r.DER})
		}
		if d.Step != nil {
			s.standings[r.SHA256] = d.Standing
		}
	}
}

// floored is the time by which a long wait judges: the clock goes on, and the
// floor that the policy gives it stays.
func floored(floor, clock time.Time) time.Time {
	if clock.After(floor) {
		return clock
	}
	return floor
}

// look takes the roots that programs read out of the machine's own store.
func (s *scene) look(ctx context.Context, stores []trust.Store) error {
	for _, store := range stores {
		if store.ID() != trust.Machine {
			continue
		}
		snap, err := store.Observe(ctx)
		if err != nil {
			return fmt.Errorf("cannot look at the store: %w", err)
		}
		for _, fp := range sorted(snap) {
			e := snap.Entries[fp]
			for _, l := range e.Locations {
				if part, ok := snap.Part(l.Part); ok && part.Kind == trust.Compiled && !l.Dangling && len(e.DER) > 0 {
					s.in = append(s.in, trust.Root{Fingerprint: fp, DER: e.DER})
					break
				}
			}
		}
	}
	return nil
}

// holds reports whether this host's store has a root.
func (s *scene) holds(fp root.Fingerprint) bool {
	for _, r := range s.in {
		if r.Fingerprint == fp {
			return true
		}
	}
	return false
}

// root finds a root of the store or the policy.
func (s *scene) root(fp root.Fingerprint) (trust.Root, bool) {
	for _, all := range [][]trust.Root{s.in, s.more} {
		for _, r := range all {
			if r.Fingerprint == fp {
				return r, true
			}
		}
	}
	return trust.Root{}, false
}

// which finds the root that somebody means: by its fingerprint or the first
// digits of it, or by a file.
func (s *scene) which(text string) (*root.Certificate, error) {
	digits := strings.ToLower(strings.NewReplacer(":", "", " ", "").Replace(text))
	if len(digits) < minPrefix || strings.Trim(digits, "0123456789abcdef") != "" {
		return rootFile(text)
	}
	found := map[root.Fingerprint]trust.Root{}
	for _, all := range [][]trust.Root{s.in, s.more} {
		for _, r := range all {
			if strings.HasPrefix(r.Fingerprint.String(), digits) {
				found[r.Fingerprint] = r
			}
		}
	}
	if len(found) > 1 {
		return nil, fmt.Errorf("%d roots begin with %s: give more digits", len(found), digits)
	}
	for _, r := range found {
		return root.Parse(r.DER)
	}
	if _, err := os.Stat(text); err == nil {
		return rootFile(text)
	}
	return nil, fmt.Errorf("no root of this host's store or policy begins with %s: give the root's file instead", root.Safe(digits, maxShown))
}

// rootFile reads the one root of a file.
func rootFile(name string) (*root.Certificate, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, fmt.Errorf("cannot read the root: %w", err)
	}
	defer f.Close()
	file, err := root.ReadFrom(f)
	if err != nil {
		return nil, fmt.Errorf("cannot read the root in %s: %w", name, err)
	}
	roots := file.Roots()
	if len(roots) != 1 {
		return nil, fmt.Errorf("%s holds %s: give a file of the one that is meant", name, count(len(roots), "root", "roots"))
	}
	return roots[0].Cert, nil
}

// name is how a root is called on screens: by the policy, or by itself.
func (s *scene) name(fp root.Fingerprint) string {
	if s.m != nil && s.m.labelOf(fp) != "" {
		return s.m.labelOf(fp)
	}
	if r, ok := s.root(fp); ok {
		if c, err := root.Parse(r.DER); err == nil {
			return c.Name()
		}
	}
	return fp.Short()
}

// standing is what the policy says of a root for this host, or "".
func (s *scene) standing(fp root.Fingerprint) policy.Standing { return s.standings[fp] }
