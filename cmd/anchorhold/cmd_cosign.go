package main

import (
	"errors"
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/policy"
)

func (a *app) cosignCommand() *cobra.Command {
	var key, keyset, phrase, public, bytesTo, attach string
	var yes bool
	c := &cobra.Command{
		Use:   "cosign FILE",
		Short: "Add a signature to a policy, also one made by another tool",
		Long: `cosign shows what a policy says and adds one signature to it. A key that lives
in another tool or device signs in two steps: --bytes writes exactly what has to
be signed, --attach takes the signature that came back and verifies it.`,
		Example: `  anchorhold cosign --key tower.key harbour.policy
  anchorhold cosign --as office.pub --bytes to-sign.bin harbour.policy
  openssl pkeyutl -sign -rawin -inkey office.key -in to-sign.bin -out office.sig
  anchorhold cosign --as office.pub --attach office.sig harbour.policy`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			file := args[0]
			data, err := readPolicy(file)
			if err != nil {
				return err
			}
			chainFile, err := findKeyset(keyset, file)
			if err != nil {
				return err
			}
			chain, err := readChain(chainFile)
			if err != nil {
				return err
			}
			doc, err := policy.Unverified(data)
			if err != nil {
				return err
			}
			k := chain.Current()
			if bytesTo != "" {
				return a.bytesToSign(data, public, bytesTo)
			}
			a.showDocument(doc)
			fmt.Fprintln(a.out)
			if err := a.confirm("Sign this?", yes); err != nil {
				return err
			}
			switch {
			case attach != "":
				data, err = attachFile(data, k, public, attach)
			case key != "":
				data, err = a.addKey(data, k, key, phrase)
			default:
				err = errors.New("sign with --key FILE, or with another tool: --bytes, then --attach")
			}
			if err != nil {
				return err
			}
			if err := archive(filepath.Dir(file), doc, data); err != nil {
				return err
			}
			if err := replace(file, data); err != nil {
				return err
			}
			return a.showSigned(file, data, k)
		},
	}
	c.Flags().StringVar(&key, "key", "", "sign with the key in this `FILE`")
	c.Flags().StringVar(&keyset, "keyset", "", "keyset `FILE` (default: the one *.keyset beside the policy)")
	c.Flags().StringVar(&phrase, "passphrase-file", "", "read the passphrase from the first line of `FILE` (- is standard input)")
	c.Flags().StringVar(&public, "as", "", "public key `FILE` of an outside signer")
	c.Flags().StringVar(&bytesTo, "bytes", "", "write what that signer has to sign to `FILE`")
	c.Flags().StringVar(&attach, "attach", "", "take that signer's signature from `FILE`")
	c.Flags().BoolVar(&yes, "yes", false, "do not ask on the terminal before signing")
	c.MarkFlagsMutuallyExclusive("key", "bytes", "attach")
	c.MarkFlagsMutuallyExclusive("key", "as")
	return c
}

func (a *app) bytesToSign(data []byte, public, out string) error {
	k, err := outsideKey(public)
	if err != nil {
		return err
	}
	input, err := policy.SigningInput(data, k)
	if err != nil {
		return err
	}
	if err := writeNew(out, input, 0o644); err != nil {
		return err
	}
	fmt.Fprintf(a.out, "%s  %s to be signed by %s\n", out, count(len(input), "byte", "bytes"), k.ID())
	return a.tell(map[string]any{"bytes": out, "signer": k.ID()})
}

func attachFile(data []byte, k policy.Keyset, public, file string) ([]byte, error) {
	key, err := outsideKey(public)
	if err != nil {
		return nil, err
	}
	sig, err := readBounded(file, maxKeyFile)
	if err != nil {
		return nil, err
	}
	return policy.AttachSignature(data, k.Keys, key, sig)
}

func (a *app) addKey(data []byte, k policy.Keyset, key, phrase string) ([]byte, error) {
	signers, err := a.signers([]string{key}, phrase)
	if err != nil {
		return nil, err
	}
	return policy.AddSignature(data, k.Keys, a.now(), signers[0])
}

func outsideKey(public string) (policy.Key, error) {
	if public == "" {
		return policy.Key{}, errors.New("say whose signature it is: --as KEY.pub")
	}
	return readKey(public)
}
