package agent

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"
)

// Bounds of how often a source is asked.
const (
	DefaultEvery = time.Hour
	leastEvery   = time.Minute
	mostEvery    = 24 * time.Hour
)

// SourceSettings are about a policy that comes by http or https.
type SourceSettings struct {
	Every string `toml:"every,omitempty" comment:"How often the address is asked, from 1m to 24h."`
	Proxy string `toml:"proxy,omitempty" comment:"http://HOST:PORT by which it is asked."`
	CA    string `toml:"ca,omitempty" comment:"A file with the roots that the address is verified by, instead of the machine's own."`
}

// Web reports whether the policy comes by http or https, and not from a file.
func (s Settings) Web() bool {
	scheme, _, found := strings.Cut(s.Policy, "://")
	return found && (strings.EqualFold(scheme, "http") || strings.EqualFold(scheme, "https"))
}

// Every is how often the source is asked.
func (s Settings) Every() time.Duration {
	d, err := time.ParseDuration(s.Source.Every)
	if err != nil { // it is not set: ParseSettings takes no other
		return DefaultEvery
	}
	return d
}

// locate makes the source's paths absolute and says what is wrong with it.
func (s *Settings) locate(dir string) error {
	var errs []error
	switch {
	case s.Policy == "":
		errs = append(errs, errors.New(`no policy source: add policy = "/etc/anchorhold/NAME.policy"`))
	case s.Web():
	case strings.Contains(s.Policy, "://"):
		errs = append(errs, fmt.Errorf("policy source %q: a policy comes from a file, or by http or https", s.Policy))
	default:
		if !filepath.IsAbs(s.Policy) {
			s.Policy = filepath.Join(dir, s.Policy)
		}
		if s.Source != (SourceSettings{}) {
			errs = append(errs, errors.New("[source] is for a policy that comes by http or https, and this one comes from a file: take it out"))
		}
	}
	if s.Source.Every != "" {
		if d, err := time.ParseDuration(s.Source.Every); err != nil || d < leastEvery || d > mostEvery {
			errs = append(errs, fmt.Errorf("[source] every = %q: a time from 1m to 24h", s.Source.Every))
		}
	}
	if s.Source.CA != "" && !filepath.IsAbs(s.Source.CA) {
		s.Source.CA = filepath.Join(dir, s.Source.CA)
	}
	return errors.Join(errs...)
}
