package main

import (
	"fmt"
	"path/filepath"
	"strings"

	"github.com/pelletier/go-toml/v2"
	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/policy"
)

func (a *app) starterCommand() *cobra.Command {
	var keyset, source string
	var accounts, labels []string
	var min uint64
	c := &cobra.Command{
		Use:   "starter",
		Short: "Write the file by which hosts get their first trust",
		Long: `starter writes to standard output the one file that a host needs before it
believes anything: the keyset, the lowest version to accept, where the policy
comes from, and the host's labels. Bring it to hosts by a way that you trust: an
image, a package, your own hands. It holds no secret.`,
		Example: "  anchorhold starter --keyset harbour.keyset --label ring=pilot > starter.toml",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			file, err := findKeyset(keyset, "starter")
			if err != nil {
				return err
			}
			chain, err := readChain(file)
			if err != nil {
				return err
			}
			k := chain.Current()
			if !cmd.Flags().Changed("min-version") {
				min = a.newest(file, chain)
			}
			s := agent.Settings{Policy: source, Accounts: accounts, Listeners: agent.DefaultListeners(), Pin: policy.Pin{Keyset: k, MinVersion: min}.TOML()}
			if s.Policy == "" {
				s.Policy = k.Policy + ".policy"
			}
			if s.Labels, err = parseLabels(labels); err != nil {
				return err
			}
			data, err := toml.Marshal(s)
			if err != nil {
				return fmt.Errorf("cannot write the starter file: %w", err)
			}
			if _, err := parseSettings(data, "/etc/anchorhold"); err != nil {
				return err
			}
			if a.json {
				return a.tell(map[string]any{"starter": string(data)})
			}
			_, err = a.out.Write(data)
			return err
		},
	}
	c.Flags().StringVar(&keyset, "keyset", "", "keyset `FILE` to believe (default: the one *.keyset here)")
	c.Flags().StringVar(&source, "policy", "", "`SOURCE` of the policy on hosts: a file, or an address (https://...) (default: NAME.policy beside their settings)")
	c.Flags().StringSliceVar(&accounts, "account", []string{agent.DefaultAccount}, "`ACCOUNT` that must be able to read every placed root; repeat it for service accounts")
	c.Flags().StringSliceVar(&labels, "label", nil, "`NAME=VALUE` by which stages choose this host; may be repeated")
	c.Flags().Uint64Var(&min, "min-version", 0, "lowest `VERSION` that hosts accept (default: that of NAME.policy beside the keyset)")
	return c
}

// newest returns the version of the policy beside a keyset file, if that is
// signed by the current keyset: no host that starts now has a use for an older
// one. Without it the first version is the lowest.
func (a *app) newest(file string, chain policy.Chain) uint64 {
	k := chain.Current()
	data, err := readPolicy(filepath.Join(filepath.Dir(file), k.Policy+".policy"))
	if err != nil {
		return 1
	}
	v, _, err := policy.Open(data, policy.Pin{Keyset: chain.First()}, policy.Floor{}, a.now())
	if err != nil || v.Mark().Epoch != k.Epoch() {
		return 1
	}
	return v.Mark().Version
}

func parseLabels(pairs []string) (map[string]string, error) {
	m := map[string]string{}
	for _, p := range pairs {
		k, v, ok := strings.Cut(p, "=")
		if !ok {
			return nil, fmt.Errorf("label %q is not NAME=VALUE", p)
		}
		m[k] = v
	}
	return m, nil
}
