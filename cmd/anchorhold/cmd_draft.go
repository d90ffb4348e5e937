package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/agent"
	"anchorhold.test/anchorhold/policy"
	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/native"
	"anchorhold.test/anchorhold/trust/root"
)

// defaultDraft is where a draft is looked for when none is named.
const defaultDraft = "draft.toml"

func (a *app) draftCommand() *cobra.Command {
	d := &cobra.Command{Use: "draft", Short: "Write, check or turn back what a policy is to say", Args: cobra.NoArgs}
	d.AddCommand(a.draftNewCommand(), a.draftCheckCommand(), a.draftRevertCommand())
	return d
}

func (a *app) draftNewCommand() *cobra.Command {
	var roots []string
	var name string
	var fromHost bool
	c := &cobra.Command{
		Use:   "new [DRAFT]",
		Short: "Write a commented draft, from root files or from a host",
		Long: `new writes draft.toml, or the file that you name. With --root it trusts every
root in those files on every host; compare each SHA-256 in it with the CA's
owner before you sign. With --from-host it lists what somebody placed by hand in
this host's machine store, each to be confirmed by you before it counts.`,
		Example: "  anchorhold draft new --root harbour-root.crt\n  anchorhold draft new --from-host",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			out := draftName(args)
			if len(roots) == 0 && !fromHost {
				return errors.New("say what to trust: --root FILE for each root, or --from-host")
			}
			var data []byte
			var err error
			if name == "" {
				if name, err = policyNameBeside(out); err != nil {
					return err
				}
			}
			if fromHost {
				data, err = a.fromHost(cmd, name, filepath.Dir(out))
			} else {
				data, err = a.fromFiles(name, roots, filepath.Dir(out))
			}
			if err != nil {
				return err
			}
			if err := writeNew(out, data, 0o644); err != nil {
				return err
			}
			fmt.Fprintf(a.out, "%s\n", out)
			remark{"next", "compare every SHA-256 in it by telephone or on paper, then: anchorhold draft check " + out}.write(a.out, a.colour())
			return a.tell(map[string]any{"draft": out})
		},
	}
	c.Flags().StringArrayVar(&roots, "root", nil, "trust the roots in this `FILE`; may be repeated")
	c.Flags().StringVar(&name, "name", "", "`NAME` of the policy (default: that of the one *.keyset beside the draft)")
	c.Flags().BoolVar(&fromHost, "from-host", false, "start from the roots that were placed by hand on this host")
	return c
}

func draftName(args []string) string {
	if len(args) > 0 {
		return args[0]
	}
	return defaultDraft
}

// policyNameBeside takes the policy's name from the keyset beside the draft.
func policyNameBeside(draft string) (string, error) {
	file, err := findKeyset("", draft)
	if err != nil {
		return "", fmt.Errorf("say how the policy is called with --name NAME (%w)", err)
	}
	c, err := readChain(file)
	if err != nil {
		return "", err
	}
	return c.Current().Policy, nil
}

func (a *app) fromFiles(name string, files []string, dir string) ([]byte, error) {
	var all []policy.RootFile
	for _, f := range files {
		data, err := readBounded(f, root.MaxFile)
		if err != nil {
			return nil, err
		}
		all = append(all, policy.RootFile{Name: beside(f, dir), Data: data})
	}
	draft, err := policy.NewDraft(name, all)
	if err == nil {
		a.showLeftOut(all)
	}
	return draft, err
}

// showLeftOut names the certificates of the files that are nobody's root, so
// that nobody believes they were taken.
func (a *app) showLeftOut(files []policy.RootFile) {
	for _, f := range files {
		file, err := root.Read(f.Data)
		if err != nil {
			continue // NewDraft has told
		}
		for _, i := range file.Items {
			if i.Refused != nil {
				fmt.Fprintf(a.out, "%s %s  %s\n", paint("left out", uneasy, a.colour()), f.Name, i.Cert.Fingerprint())
				remark{"why", i.Refused.Reason + " [" + i.Refused.Code + "]"}.write(a.out, a.colour())
			}
		}
	}
}

// beside names a file as a draft in dir does: relative where it lies below.
func beside(file, dir string) string {
	abs, err := filepath.Abs(file)
	if err != nil {
		return file
	}
	base, err := filepath.Abs(dir)
	if err != nil {
		return file
	}
	if rel, err := filepath.Rel(base, abs); err == nil && filepath.IsLocal(rel) {
		return filepath.ToSlash(rel)
	}
	return abs
}

// fromHost lists what lies in the machine store and came with no package.
func (a *app) fromHost(cmd *cobra.Command, name, dir string) ([]byte, error) {
	stores, err := native.Detect(cmd.Context(), host.System())
	if err != nil {
		return nil, err
	}
	var found []policy.FoundRoot
	for _, s := range stores {
		snap, err := s.Observe(cmd.Context())
		if err != nil {
			return nil, err
		}
		for _, fp := range sorted(snap) {
			e := snap.Entries[fp]
			for _, l := range e.Locations {
				if l.Part == agent.SourcePart && l.Origin == trust.FromLocal && !l.Dangling {
					found = append(found, policy.FoundRoot{DER: e.DER, Where: l.Path})
				}
			}
		}
	}
	if len(found) == 0 {
		return nil, errors.New("nobody placed a root by hand in this host's machine store; start from a file with --root")
	}
	return policy.DraftFromHost(name, found, func(n string, data []byte) error {
		return writeNew(filepath.Join(dir, n), data, 0o644)
	})
}

func (a *app) draftCheckCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "check [DRAFT]",
		Short: "Print everything that is wrong or worth knowing about a draft",
		Args:  cobra.MaximumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			file := draftName(args)
			doc, found, err := a.compile(file, 1)
			a.showDraftFindings(file, found)
			if err != nil {
				return a.draftError(found, err)
			}
			fmt.Fprintf(a.out, "%s is fit to be signed: %s.\n", file, count(len(doc.Roots), "root", "roots"))
			return a.tell(map[string]any{"findings": append([]policy.DraftFinding{}, found...)})
		},
	}
}

// draftError keeps what was printed already from being printed twice.
func (a *app) draftError(found []policy.DraftFinding, err error) error {
	if len(found) == 0 {
		return err
	}
	if a.json {
		if err := encode(a.result, map[string]any{"schema": jsonSchema, "exit": exitWrong, "findings": found}); err != nil {
			return err
		}
	}
	return verdict{code: exitWrong}
}

// compile reads a draft and the files that it names, beside it.
func (a *app) compile(file string, epoch uint64) (policy.Document, []policy.DraftFinding, error) {
	data, err := readBounded(file, policy.MaxDraft)
	if err != nil {
		return policy.Document{}, nil, err
	}
	d, err := policy.ParseDraft(data)
	if err != nil {
		return policy.Document{}, nil, fmt.Errorf("cannot use %s: %w", file, err)
	}
	dir := filepath.Dir(file)
	load := func(name string) ([]byte, error) {
		if !filepath.IsAbs(name) {
			name = filepath.Join(dir, filepath.FromSlash(name))
		}
		return readBounded(name, root.MaxFile)
	}
	return policy.Compile(d, load, epoch, a.now())
}

func (a *app) showDraftFindings(file string, found []policy.DraftFinding) {
	tints := map[root.Severity]tint{root.Refuse: bad, root.Warn: uneasy, root.Note: faint}
	for _, f := range found {
		word, t := string(f.Severity), tints[f.Severity]
		if f.Waived != "" {
			word, t = "waived", uneasy
		}
		where := file
		if f.Line > 0 {
			where += ":" + strconv.Itoa(f.Line)
		}
		about := ""
		if f.Label != "" {
			about = root.Safe(f.Label, maxShown) + ": "
		}
		fmt.Fprintf(a.out, "%s %s  %s%s [%s%s]\n", paint(fmt.Sprintf("%-7s", word), t, a.colour()), where, about, f.Reason, f.Code, cited(f.Source))
		if f.Waived != "" {
			remark{"why", root.Safe(f.Waived, maxShown)}.write(a.out, a.colour())
		} else if f.Severity != root.Note && f.Remedy != "" {
			remark{"next", f.Remedy}.write(a.out, a.colour())
		}
	}
}

func (a *app) draftRevertCommand() *cobra.Command {
	var now, out string
	c := &cobra.Command{
		Use:   "revert VERSION",
		Short: "Write the next draft with the standings of an earlier version",
		Long: `revert reads the policy that is in force and the earlier version from the folder
signed/ beside it, where sign keeps every version, and writes the next draft. It
takes nothing out by leaving it out: a root that the earlier version did not
name stays as it is.`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			version, err := strconv.ParseUint(args[0], 10, 53)
			if err != nil {
				return fmt.Errorf("%q is not the number of a version", args[0])
			}
			return a.revert(now, out, version)
		},
	}
	c.Flags().StringVar(&now, "policy", "", "policy `FILE` in force (default: the one *.policy here)")
	c.Flags().StringVar(&out, "out", "", "`FILE` for the draft (default: draft-VERSION.toml)")
	return c
}

func (a *app) revert(file, out string, version uint64) error {
	if file == "" {
		found, err := filepath.Glob("*.policy")
		if err != nil || len(found) != 1 {
			return fmt.Errorf("name the policy in force with --policy FILE (%s here)", count(len(found), "*.policy", "*.policy"))
		}
		file = found[0]
	}
	current, err := readDocument(file)
	if err != nil {
		return err
	}
	earlier, err := findVersion(filepath.Dir(file), current, version)
	if err != nil {
		return err
	}
	if out == "" {
		out = filepath.Join(filepath.Dir(file), fmt.Sprintf("draft-%d.toml", current.Version+1))
	}
	data, err := policy.Revert(current, earlier, func(n string, data []byte) error {
		path := filepath.Join(filepath.Dir(out), n)
		if old, err := os.ReadFile(path); err == nil && string(old) == string(data) {
			return nil
		}
		return writeNew(path, data, 0o644)
	})
	if err != nil {
		return err
	}
	if err := writeNew(out, data, 0o644); err != nil {
		return err
	}
	fmt.Fprintf(a.out, "%s  version %d, with the standings of version %d\n", out, current.Version+1, version)
	remark{"next", "read it, then: anchorhold draft check " + out}.write(a.out, a.colour())
	return a.tell(map[string]any{"draft": out, "version": current.Version + 1, "standings_of": version})
}

func readDocument(file string) (policy.Document, error) {
	data, err := readPolicy(file)
	if err != nil {
		return policy.Document{}, err
	}
	d, err := policy.Unverified(data)
	if err != nil {
		return policy.Document{}, fmt.Errorf("cannot read %s: %w", file, err)
	}
	return d, nil
}
