package policy

import "errors"

// PinTOML is a pin as it stands in a host's settings and in a starter file.
type PinTOML struct {
	Policy      string    `toml:"policy" comment:"The policy that this host follows."`
	Generation  uint32    `toml:"generation" comment:"The keyset from which the walk starts."`
	Serial      uint32    `toml:"serial"`
	Threshold   int       `toml:"threshold" comment:"How many of the keys must sign."`
	Contingency string    `toml:"contingency,omitempty" comment:"Hash of the contingency keyset."`
	MinVersion  uint64    `toml:"min_version" comment:"No older version of this keyset's epoch is believed."`
	Keys        []KeyTOML `toml:"keys"`
}

// KeyTOML is a public key with the members of a JWK.
type KeyTOML struct {
	Kty string `toml:"kty"`
	Crv string `toml:"crv"`
	X   string `toml:"x"`
	Y   string `toml:"y,omitempty"`
}

// TOML returns the pin's form for settings.
func (p Pin) TOML() PinTOML {
	k := p.Keyset
	t := PinTOML{Policy: k.Policy, Generation: k.Generation, Serial: k.Serial, Threshold: k.Threshold, MinVersion: p.MinVersion}
	if !k.Contingency.IsZero() {
		t.Contingency = k.Contingency.String()
	}
	for _, key := range k.Keys {
		j := key.jwk()
		t.Keys = append(t.Keys, KeyTOML{Kty: j.Kty, Crv: string(j.Crv), X: j.X, Y: j.Y})
	}
	return t
}

// Pin vets what the settings say and returns all faults at once.
func (t PinTOML) Pin() (Pin, error) {
	p := Pin{
		Keyset:     Keyset{Schema: KeysetSchema, Policy: t.Policy, Generation: t.Generation, Serial: t.Serial, Threshold: t.Threshold},
		MinVersion: t.MinVersion,
	}
	var errs []error
	if t.Contingency != "" {
		if err := p.Keyset.Contingency.UnmarshalText([]byte(t.Contingency)); err != nil {
			errs = append(errs, refuse(CodeBadKeyset, "pin.contingency", "%v", err))
		}
	}
	for i, k := range t.Keys {
		key, err := jwk{Crv: Kind(k.Crv), Kty: k.Kty, X: k.X, Y: k.Y}.key()
		if e, ok := err.(*Error); ok {
			e.Subject = item("pin.keys", i)
			errs = append(errs, e)
			continue
		}
		p.Keyset.Keys = append(p.Keyset.Keys, key)
	}
	if len(errs) == 0 {
		errs = append(errs, p.check())
	}
	if err := errors.Join(errs...); err != nil {
		return Pin{}, err
	}
	return p, nil
}
