package main

import (
	"bufio"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"anchorhold.test/anchorhold/policy"
)

func (a *app) signCommand() *cobra.Command {
	var keys []string
	var keyset, out, phrase string
	var yes bool
	c := &cobra.Command{
		Use:   "sign [DRAFT]",
		Short: "Show what a draft changes for whom, and sign it as a policy",
		Long: `sign compiles the draft, shows what changes against the policy that is there,
and signs with your key. Where the keyset asks for more signers the file waits
for them: each adds a signature with 'anchorhold countersign'. Every signed
version is kept in the folder signed/ beside it.`,
		Example: "  anchorhold sign --key harbour.key\n  anchorhold sign --key quay.key --out /srv/www/harbour.policy draft.toml",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			file := draftName(args)
			return a.sign(file, keyset, out, keys, phrase, yes)
		},
	}
	c.Flags().StringArrayVar(&keys, "key", nil, "sign with the key in this `FILE`; may be repeated, or left out where another tool signs")
	c.Flags().StringVar(&keyset, "keyset", "", "keyset `FILE` (default: the one *.keyset beside the draft)")
	c.Flags().StringVar(&out, "out", "", "write to `FILE` (default: NAME.policy beside the draft)")
	c.Flags().StringVar(&phrase, "passphrase-file", "", "read the passphrase from the first line of `FILE` (- is standard input)")
	c.Flags().BoolVar(&yes, "yes", false, "do not ask on the terminal before signing")
	return c
}

func (a *app) sign(draft, keyset, out string, keys []string, phrase string, yes bool) error {
	file, err := findKeyset(keyset, draft)
	if err != nil {
		return err
	}
	chain, err := readChain(file)
	if err != nil {
		return err
	}
	doc, found, err := a.compile(draft, chain.Current().Epoch())
	a.showDraftFindings(draft, found)
	if err != nil {
		return a.draftError(found, err)
	}
	if out == "" {
		out = filepath.Join(filepath.Dir(draft), doc.Name+".policy")
	}
	old, err := previous(out, doc)
	if err != nil {
		return err
	}
	a.showSigning(old, doc, chain.Current())
	if err := a.confirm("Sign this?", yes); err != nil {
		return err
	}
	signers, err := a.signers(keys, phrase)
	if err != nil {
		return err
	}
	data, err := policy.Sign(doc, chain, a.now(), signers...)
	if err != nil {
		return err
	}
	if err := archive(filepath.Dir(out), doc, data); err != nil {
		return err
	}
	if err := replace(out, data); err != nil {
		return err
	}
	return a.showSigned(out, data, chain.Current())
}

// previous returns the policy that the new one follows, or the zero document.
func previous(file string, next policy.Document) (policy.Document, error) {
	old, err := readDocument(file)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return policy.Document{}, nil
	case err != nil:
		return old, fmt.Errorf("%w; name another file with --out", err)
	case old.Name != next.Name:
		return old, fmt.Errorf("%s is policy %q and the draft is %q: name another file with --out", file, old.Name, next.Name)
	case old.Epoch > next.Epoch, old.Epoch == next.Epoch && old.Version >= next.Version:
		return old, fmt.Errorf("%s is version %d of epoch %d already, and hosts accept no number twice: write version = %d in the draft", file, old.Version, old.Epoch, old.Version+1)
	}
	return old, nil
}

func (a *app) showSigning(old, doc policy.Document, k policy.Keyset) {
	fmt.Fprintf(a.out, "Policy %s, version %d of epoch %d, until %s\n\n", doc.Name, doc.Version, doc.Epoch, doc.Expires.Format(day))
	lines := policy.Diff(old, doc)
	if len(lines) == 0 {
		fmt.Fprintln(a.out, "Nothing changes for any host but the policy's number and end.")
	}
	for _, l := range append(lines, policy.KeysetCautions(k)...) {
		word, t := "change", plain
		if l.Kind == policy.ChangeCaution {
			word, t = "caution", uneasy
		}
		fmt.Fprintf(a.out, "%s  %s\n", paint(fmt.Sprintf("%-7s", word), t, a.colour()), escape(l.Text))
	}
	fmt.Fprintf(a.out, "\nA root vouches for any name it is not kept from. Whether it may be trusted is\nfor your organisation's security officer and your local policy to decide.\n\n")
}

func (a *app) showSigned(file string, data []byte, k policy.Keyset) error {
	missing, have, err := policy.Missing(data, k)
	if err != nil {
		return err
	}
	signed := map[string]any{"file": file, "signatures": len(have), "needed": k.Threshold, "believed": missing == 0}
	if missing > 0 {
		fmt.Fprintf(a.out, "%s  has %d of the %s that it needs; hosts do not believe it yet\n", file, len(have), count(k.Threshold, "signature", "signatures"))
		remark{"next", "pass it to another signer: anchorhold countersign --key FILE " + file}.write(a.out, a.colour())
		return a.tell(signed)
	}
	fmt.Fprintf(a.out, "%s  %s\n", file, paint("signed, hosts will believe it", good, a.colour()))
	remark{"next", "bring it to where hosts read it, by any means"}.write(a.out, a.colour())
	return a.tell(signed)
}

var errNotConfirmed = errors.New("nothing was signed")

// confirm asks on a terminal; a script that got this far has been told
// everything on its standard output.
func (a *app) confirm(question string, yes bool) error {
	f, ok := a.in.(*os.File)
	if yes || !ok || !term.IsTerminal(int(f.Fd())) {
		return nil
	}
	fmt.Fprintf(a.err, "%s [y/N] ", question)
	line, err := waiting(a, func() (string, error) { return bufio.NewReader(f).ReadString('\n') })
	if err != nil {
		return errNotConfirmed
	}
	if s := strings.ToLower(strings.TrimSpace(line)); s != "y" && s != "yes" {
		return errNotConfirmed
	}
	return nil
}
