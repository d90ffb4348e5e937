package agent

import (
	"errors"
	"fmt"
	"regexp"
	"strings"
	"sync"

	"github.com/pelletier/go-toml/v2"

	"anchorhold.test/anchorhold/policy"
)

// MaxSettings bounds a settings file, in bytes.
const MaxSettings = 64 << 10

// Settings is what an administrator of one host decided: agent.toml. A starter
// file has the same form, so that it can be taken as it is.
type Settings struct {
	Policy    string            `toml:"policy" comment:"Where the signed policy comes from: a file, absolute or beside this one, or an address."`
	Source    SourceSettings    `toml:"source,omitempty" comment:"Of a policy that comes by http or https."`
	Accounts  []string          `toml:"accounts" comment:"Accounts that must be able to read every placed root."`
	Labels    map[string]string `toml:"labels,omitempty" comment:"By which the policy's stages choose hosts."`
	Listeners Listeners         `toml:"listeners" comment:"Before a root goes out, this host's own TLS services are asked what they serve."`
	Pin       policy.PinTOML    `toml:"pin" comment:"Whom this host believes. Compare with the signers before you trust it."`
}

var labelForm = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[a-z0-9][a-z0-9._-]{0,62}$`) })

// ParseSettings reads agent.toml strictly. dir is the folder that the file
// lies in: a relative path inside it means "beside the settings", never the
// working folder of whoever runs the program.
func ParseSettings(data []byte, dir string) (Settings, error) {
	s := Settings{Listeners: DefaultListeners()}
	if len(data) > MaxSettings {
		return Settings{}, fmt.Errorf("the settings are larger than %d bytes", MaxSettings)
	}
	dec := toml.NewDecoder(strings.NewReader(string(data))).DisallowUnknownFields()
	if err := dec.Decode(&s); err != nil {
		return Settings{}, policy.ExplainTOML(err, &s)
	}
	var errs []error
	if err := s.locate(dir); err != nil {
		errs = append(errs, err)
	}
	if len(s.Accounts) == 0 {
		s.Accounts = []string{DefaultAccount}
	}
	for k, v := range s.Labels {
		if !labelForm().MatchString(k) || !labelForm().MatchString(v) {
			errs = append(errs, fmt.Errorf("label %q = %q: letters a-z, digits, '.', '_' and '-', at most 63, first a letter or digit", k, v))
		}
	}
	if err := s.Listeners.check(); err != nil {
		errs = append(errs, err)
	}
	if _, err := s.Pin.Pin(); err != nil {
		errs = append(errs, fmt.Errorf("cannot use the pinned keyset: %w", err))
	}
	if len(errs) > 0 {
		return Settings{}, errors.Join(errs...)
	}
	return s, nil
}

// DefaultAccount proves placements where the settings name nobody: the account
// of least rights that every system has.
const DefaultAccount = "nobody"
