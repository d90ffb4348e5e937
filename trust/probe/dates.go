package probe

import (
	"crypto/x509"
	"time"

	"anchorhold.test/anchorhold/trust/root"
)

const (
	day     = time.DateOnly
	oneDay  = 24 * time.Hour
	minSoon = 7 * oneDay
	// maxLifetime is what Apple's systems take of a server's certificate, from
	// private roots as well.
	maxLifetime = 825 * oneDay
)

// dates tells of every certificate of the path that is not valid now or will
// not be for long.
func (j *judging) dates() {
	for i, c := range j.path {
		ended, early, soon := codeCAExpired, codeCANotYet, codeCASoon
		what := "the issuing CA " + shownX(c)
		switch {
		case i == 0:
			ended, early, soon, what = codeExpired, codeNotYet, codeSoon, "the service's certificate"
		case j.rooted && i == len(j.path)-1:
			ended, early, soon, what = codeRootExpired, codeRootNotYet, codeRootSoon, "the root "+shownX(c)+" ("+root.Of(c.Raw).Short()+")"
		}
		left := c.NotAfter.Sub(j.now)
		switch {
		case left < 0:
			j.say(ended, "%s expired on %s, %s ago", what, c.NotAfter.UTC().Format(day), days(-left))
		case j.now.Before(c.NotBefore):
			j.say(early, "%s is valid from %s on, and this host has %s", what, c.NotBefore.UTC().Format(time.RFC3339), j.now.UTC().Format(time.RFC3339))
		case left < soonFor(c, i == 0):
			j.say(soon, "%s expires on %s, in %s", what, c.NotAfter.UTC().Format(day), days(left))
		}
	}
	if leaf := j.path[0]; leaf.NotAfter.Sub(leaf.NotBefore) > maxLifetime {
		j.say(codeLong, "the service's certificate is valid for %s", days(leaf.NotAfter.Sub(leaf.NotBefore)))
	}
}

// soonFor is how long before its end a certificate is to be renewed: a third of
// its lifetime, at least 7 days; for a CA at most a year.
func soonFor(c *x509.Certificate, leaf bool) time.Duration {
	d := max(c.NotAfter.Sub(c.NotBefore)/3, minSoon)
	if !leaf {
		d = min(d, 365*oneDay)
	}
	return d
}

func days(d time.Duration) string {
	switch n := int(d / oneDay); n {
	case 0:
		return "less than a day"
	case 1:
		return "1 day"
	default:
		return itoa(n) + " days"
	}
}
