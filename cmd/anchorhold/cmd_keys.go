package main

import (
	"crypto/rand"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/policy"
)

// signerCommands are those for whoever writes and signs policies; none of them
// needs root.
func (a *app) signerCommands() []*cobra.Command {
	return []*cobra.Command{
		a.keysCommand(), a.keysetCommand(), a.draftCommand(), a.vetCommand(),
		a.signCommand(), a.countersignCommand(), a.openCommand(), a.starterCommand(),
	}
}

func (a *app) keysCommand() *cobra.Command {
	keys := &cobra.Command{Use: "keys", Short: "Make a signer's key, and show the public half", Args: cobra.NoArgs}
	var kind, name, of, phrase string
	var open bool
	fresh := &cobra.Command{
		Use:   "new",
		Short: "Make a key for one signer",
		Long: `new makes a private key in NAME.key, protected by a passphrase, and its public
half in NAME.pub, which goes to whoever puts the keyset together. With --policy
it also begins a keyset of this one key, in POLICY.keyset.

The key is PKCS#8 (RFC 5958), so that openssl reads it too. Keep a copy where a
fire in this room does not reach it.`,
		Example: "  anchorhold keys new --policy harbour\n  anchorhold keys new --name quay-office --kind P-256",
		Args:    cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			if name == "" {
				name = of
			}
			if name == "" {
				return errors.New("name the key with --name NAME, or begin a keyset with --policy POLICY")
			}
			return a.newKey(name, of, policy.Kind(kind), phrase, open)
		},
	}
	fresh.Flags().StringVar(&kind, "kind", string(policy.Ed25519), "`KIND` of key: Ed25519, or P-256 for devices that know nothing else")
	fresh.Flags().StringVar(&name, "name", "", "`NAME` of the files")
	fresh.Flags().StringVar(&of, "policy", "", "begin the keyset of this `POLICY` with the key alone")
	fresh.Flags().StringVar(&phrase, "passphrase-file", "", "read the passphrase from the first line of `FILE` (- is standard input)")
	fresh.Flags().BoolVar(&open, "no-passphrase", false, "leave the key unprotected, for a place that protects it otherwise")
	show := &cobra.Command{
		Use:   "show FILE...",
		Short: "Show the id of public keys (JWK, or PEM as openssl writes it)",
		Args:  cobra.MinimumNArgs(1),
		RunE: func(_ *cobra.Command, files []string) error {
			keys := []map[string]any{}
			for _, f := range files {
				k, err := readKey(f)
				if err != nil {
					return err
				}
				fmt.Fprintf(a.out, "%s  %s  %s\n", k.ID(), k.Kind(), f)
				keys = append(keys, map[string]any{"id": k.ID(), "kind": k.Kind(), "file": f})
			}
			return a.tell(map[string]any{"keys": keys})
		},
	}
	keys.AddCommand(fresh, show)
	return keys
}

func (a *app) newKey(name, of string, kind policy.Kind, phraseFile string, open bool) error {
	signer, err := policy.NewSigner(kind, rand.Reader)
	if err != nil {
		return err
	}
	var pem []byte
	if open {
		pem, err = signer.PlainPEM()
	} else {
		var phrase []byte
		if phrase, err = a.newPassphrase(phraseFile); err != nil {
			return err
		}
		pem, err = signer.PEM(phrase)
	}
	if err != nil {
		return err
	}
	public, err := signer.Public().MarshalJSON()
	if err != nil {
		return err
	}
	if err := writeNew(name+".key", pem, 0o600); err != nil {
		return err
	}
	if err := writeNew(name+".pub", append(public, '\n'), 0o644); err != nil {
		return err
	}
	fmt.Fprintf(a.out, "%s.key  private, keep it closed\n%s.pub  public: %s\n", name, name, signer.Public().ID())
	made := map[string]any{"key": name + ".key", "public": name + ".pub", "id": signer.Public().ID()}
	if of == "" {
		remark{"next", "give " + name + ".pub to whoever makes the keyset"}.write(a.out, a.colour())
		return a.tell(made)
	}
	made["keyset"] = of + ".keyset"
	if _, err := a.newKeyset(policy.Keyset{Policy: of, Threshold: 1, Keys: []policy.Key{signer.Public()}}, of+".keyset"); err != nil {
		return err
	}
	return a.tell(made)
}

func keyIDs(k policy.Keyset) []string {
	var ids []string
	for _, key := range k.Keys {
		ids = append(ids, key.ID())
	}
	return ids
}

const maxKeyFile = 64 << 10

func readKey(file string) (policy.Key, error) {
	data, err := readBounded(file, maxKeyFile)
	if err != nil {
		return policy.Key{}, err
	}
	k, err := policy.ParseKey(data)
	if err != nil {
		return policy.Key{}, fmt.Errorf("cannot use %s: %w", file, err)
	}
	return k, nil
}

func readChain(file string) (policy.Chain, error) {
	data, err := readBounded(file, policy.MaxFile)
	if err != nil {
		return policy.Chain{}, err
	}
	c, err := policy.ParseChain(data)
	if err != nil {
		return policy.Chain{}, fmt.Errorf("cannot use keyset %s: %w", file, err)
	}
	return c, nil
}

// findKeyset returns the keyset file to use: the named one, or the only one in
// the folder of the draft or policy.
func findKeyset(named, beside string) (string, error) {
	if named != "" {
		return named, nil
	}
	dir := filepath.Dir(beside)
	found, err := filepath.Glob(filepath.Join(dir, "*.keyset"))
	if err != nil {
		return "", err
	}
	switch len(found) {
	case 1:
		return found[0], nil
	case 0:
		return "", fmt.Errorf("there is no keyset in %s: name one with --keyset FILE", dir)
	}
	return "", fmt.Errorf("there are several keysets in %s (%s): name one with --keyset FILE", dir, strings.Join(found, ", "))
}
