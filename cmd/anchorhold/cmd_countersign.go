package main

import (
	"errors"
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/policy"
)

// countersigning is one signature to be added.
type countersigning struct {
	file, keyset, phrase    string
	key                     string // a key file
	public, bytesTo, attach string // of an outside signer
	yes                     bool
}

func (a *app) countersignCommand() *cobra.Command {
	var o countersigning
	c := &cobra.Command{
		Use:   "countersign FILE",
		Short: "Add a signature to a policy or keyset statement",
		Long: `countersign shows what a policy or a keyset statement says, what it changes, and
adds one signature to it. A key that lives in another tool or device signs in
two steps: --bytes writes exactly what has to be signed, --attach takes the
signature that came back and verifies it.`,
		Example: `  anchorhold countersign --key tower.key harbour.policy
  anchorhold countersign --as office.pub --bytes to-sign.bin harbour.policy
  openssl pkeyutl -sign -rawin -inkey office.key -in to-sign.bin -out office.sig
  anchorhold countersign --as office.pub --attach office.sig harbour.policy`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			o.file = args[0]
			data, err := readPolicy(o.file)
			if err != nil {
				return err
			}
			chainFile, err := findKeyset(o.keyset, o.file)
			if err != nil {
				return err
			}
			chain, err := readChain(chainFile)
			if err != nil {
				return err
			}
			if policy.IsStatement(data) {
				return a.countersignStatement(o, data, chain.Current())
			}
			return a.countersignPolicy(o, data, chain.Current())
		},
	}
	c.Flags().StringVar(&o.key, "key", "", "sign with the key in this `FILE`")
	c.Flags().StringVar(&o.keyset, "keyset", "", "keyset `FILE` (default: the one *.keyset beside the file)")
	c.Flags().StringVar(&o.phrase, "passphrase-file", "", "read the passphrase from the first line of `FILE` (- is standard input)")
	c.Flags().StringVar(&o.public, "as", "", "public key `FILE` of an outside signer")
	c.Flags().StringVar(&o.bytesTo, "bytes", "", "write what that signer has to sign to `FILE`")
	c.Flags().StringVar(&o.attach, "attach", "", "take that signer's signature from `FILE`")
	c.Flags().BoolVar(&o.yes, "yes", false, "do not ask on the terminal before signing")
	c.MarkFlagsMutuallyExclusive("key", "bytes", "attach")
	c.MarkFlagsMutuallyExclusive("key", "as")
	return c
}

func (a *app) countersignPolicy(o countersigning, data []byte, k policy.Keyset) error {
	doc, err := policy.Unverified(data)
	if err != nil {
		return err
	}
	a.showDocument(doc)
	fmt.Fprintln(a.out)
	old, err := before(filepath.Dir(o.file), doc)
	if err != nil {
		return err
	}
	a.showSigning(old, doc, k)
	if o.bytesTo != "" {
		return a.bytesToSign(data, o.public, o.bytesTo)
	}
	if data, err = a.addSignature(o, data, k.Keys); err != nil {
		return err
	}
	if err := archive(filepath.Dir(o.file), doc, data); err != nil {
		return err
	}
	if err := replace(o.file, data); err != nil {
		return err
	}
	return a.showSigned(o.file, data, k)
}

func (a *app) countersignStatement(o countersigning, data []byte, current policy.Keyset) error {
	if _, err := policy.Sides(data, current); err != nil {
		return err
	}
	keys, err := policy.StatementKeys(data, current)
	if err != nil {
		return err
	}
	if o.bytesTo != "" {
		return a.bytesToSign(data, o.public, o.bytesTo)
	}
	next, _, err := policy.NextStatement(data)
	if err != nil {
		return err
	}
	a.showStatement(current, next)
	if data, err = a.addSignature(o, data, keys); err != nil {
		return err
	}
	if err := replace(o.file, data); err != nil {
		return err
	}
	return a.showStatementSigned(o.file, data, current, exitRight)
}

// addSignature asks, then signs or takes the signature that came back. keys
// are those that may sign.
func (a *app) addSignature(o countersigning, data []byte, keys []policy.Key) ([]byte, error) {
	if err := a.confirm("Sign this?", o.yes); err != nil {
		return nil, err
	}
	switch {
	case o.attach != "":
		return attachFile(data, keys, o.public, o.attach)
	case o.key == "":
		return nil, errors.New("sign with --key FILE, or with another tool: --bytes, then --attach")
	}
	signers, err := a.signers([]string{o.key}, o.phrase)
	if err != nil {
		return nil, err
	}
	return policy.AddSignature(data, keys, a.now(), signers[0])
}

func (a *app) bytesToSign(data []byte, public, out string) error {
	k, err := outsideKey(public)
	if err != nil {
		return err
	}
	if err := policy.Signable(data, a.now()); err != nil {
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

func attachFile(data []byte, keys []policy.Key, public, file string) ([]byte, error) {
	key, err := outsideKey(public)
	if err != nil {
		return nil, err
	}
	sig, err := readBounded(file, maxKeyFile)
	if err != nil {
		return nil, err
	}
	return policy.AttachSignature(data, keys, key, sig)
}

func outsideKey(public string) (policy.Key, error) {
	if public == "" {
		return policy.Key{}, errors.New("say whose signature it is: --as KEY.pub")
	}
	return readKey(public)
}
