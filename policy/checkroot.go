package policy

import (
	"slices"

	"anchorhold.test/anchorhold/trust/root"
)

// neverWaived are findings after which a certificate can be nobody's root.
var neverWaived = []string{"not-a-ca", "end-entity", "issuing-ca", "cross-signed", "broken-self-signature", "private-key", "go-unloadable"}

// oneRoot judges one entry by itself.
func (c *checker) oneRoot(path string, r Root) {
	if r.SHA256.IsZero() {
		c.add("fingerprint", path+".sha256", "no fingerprint")
	}
	c.text(path+".label", r.Label, 1, maxLabelText, false)
	c.text(path+".notes", r.Notes, 0, maxNotes, true)
	c.certificate(path, r)
	c.count(path+".standings", len(r.Standings), 1, MaxSteps)
	for i, s := range r.Standings {
		c.step(item(path+".standings", i), s)
		if i > 0 && s.Stage == AllHosts {
			c.warn("step-without-effect", item(path+".standings", i-1), "leave it out, or give the later one a stage",
				"a later standing is for all hosts from the start, so this one never applies")
		}
	}
	c.words(path+".purposes", "purpose", r.Purposes, knownPurposes)
	c.words(path+".stores", "store", r.Stores, knownStores)
	c.waivers(path+".waivers", r)
}

// certificate holds the embedded certificate against the fingerprint: what a
// policy says about a certificate is recomputed, not believed (RFC 5914 2.5).
func (c *checker) certificate(path string, r Root) {
	trusted := slices.ContainsFunc(r.Standings, func(s Step) bool { return s.Standing == Trusted })
	switch {
	case len(r.DER) > MaxDER:
		c.add("certificate-size", path+".der", "%d bytes, at most %d are allowed", len(r.DER), MaxDER)
	case len(r.DER) > 0 && root.Of(r.DER) != r.SHA256:
		c.add("certificate-other", path+".der", "the certificate is %s, not the root that the entry names", root.Of(r.DER))
	case len(r.DER) == 0 && trusted:
		c.add("certificate-missing", path+".der", "a root cannot be trusted without its certificate")
	}
	c.count(path+".sample", len(r.Sample), 0, MaxSample)
	for i, der := range r.Sample {
		if len(der) == 0 || len(der) > MaxDER {
			c.add("certificate-size", item(path+".sample", i), "%d bytes, there must be 1 to %d", len(der), MaxDER)
		}
	}
}

func (c *checker) step(path string, s Step) {
	if !slices.Contains([]Standing{Trusted, Retired, Distrusted}, s.Standing) {
		c.add("standing", path+".standing", "%s is none of trusted, retired, distrusted", clip(string(s.Standing)))
	}
	c.stageKnown(path+".stage", s.Stage)
	c.time(path+".deadline", s.Deadline)
	c.time(path+".until", s.Until)
	if s.Deadline != nil && s.Standing != Retired {
		c.add("deadline", path+".deadline", "only a retired root has a deadline; a distrusted one goes at once")
	}
	if s.Until != nil && s.Standing != Trusted {
		c.add("until", path+".until", "only a trusted root retires by itself")
	}
}

func (c *checker) words(path, what string, words, known []string) {
	c.count(path, len(words), 1, MaxWords)
	for i, w := range words {
		switch {
		case !codeForm().MatchString(w):
			c.add(what, path, "%s is not the name of a %s", clip(w), what)
		case slices.Contains(words[:i], w):
			c.add(what, path, "%s stands twice", clip(w))
		case !slices.Contains(known, w):
			c.warn(what+"-unknown", path, "correct it unless newer hosts know it", "this program knows no %s %q; hosts of this version leave it out", what, w)
		}
	}
}

func (c *checker) waivers(path string, r Root) {
	c.count(path, len(r.Waivers), 0, MaxWaivers)
	for i, w := range r.Waivers {
		at := item(path, i)
		if !codeForm().MatchString(w.Code) {
			c.add("waiver", at+".code", "%s is not the code of a finding", clip(w.Code))
		} else if slices.Contains(neverWaived, w.Code) {
			c.add("waiver", at+".code", "finding %q cannot be waived", w.Code)
		}
		if slices.ContainsFunc(r.Waivers[:i], func(o Waiver) bool { return o.Code == w.Code }) {
			c.add("waiver", at+".code", "%s is waived twice", clip(w.Code))
		}
		c.text(at+".reason", w.Reason, 1, maxNotes, true)
	}
}

// succession judges which root takes over from which: a successor that waits
// for itself would hold a withdraw for ever.
func (c *checker) succession() {
	next := map[root.Fingerprint]root.Fingerprint{}
	for i, r := range c.doc.Roots {
		if r.Succeeds == nil {
			continue
		}
		c.root = r.SHA256
		if _, ok := c.roots[*r.Succeeds]; !ok {
			c.add("succeeds", item("roots", i)+".succeeds", "%s is no root of this policy", r.Succeeds)
		}
		next[r.SHA256] = *r.Succeeds
	}
	for i, r := range c.doc.Roots {
		at, ok := next[r.SHA256]
		for steps := 0; ok && steps <= len(next); steps++ {
			if at == r.SHA256 {
				c.root = r.SHA256
				c.add("succeeds", item("roots", i)+".succeeds", "the root takes over from itself, directly or round a circle")
				break
			}
			at, ok = next[at]
		}
	}
	c.root = root.Fingerprint{}
}
