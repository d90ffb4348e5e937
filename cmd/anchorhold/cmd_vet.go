package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"anchorhold.test/anchorhold/trust/root"
)

// maxStoreFile bounds a store that is looked at by hand, in bytes.
const maxStoreFile = 64 << 20

func (a *app) vetCommand() *cobra.Command {
	var store bool
	c := &cobra.Command{
		Use:   "vet FILE...",
		Short: "Look at root files: what is in them, and are they fit to trust?",
		Long: `vet reads files in whatever shape a certification authority, a wizard or a
colleague hands out, names every certificate in them by its SHA-256, and judges
each as a root. Compare the SHA-256 with one that you got another way, by
telephone or on paper, before you put it into a draft.`,
		Example: "  anchorhold vet harbour-root.crt\n  anchorhold vet --store /etc/ssl/certs/ca-certificates.crt",
		Args:    cobra.MinimumNArgs(1),
		RunE: func(_ *cobra.Command, files []string) error {
			var end error
			var out []jsonVetted
			for _, name := range files {
				v, err := a.vetFile(name, store)
				out = append(out, v)
				if err != nil && codeOf(err) > codeOf(end) || end == nil {
					end = err
				}
			}
			if a.json {
				if err := encode(a.result, map[string]any{"schema": jsonSchema, "exit": codeOf(end), "files": out}); err != nil {
					return err
				}
			} else {
				for i, v := range out {
					if i > 0 {
						fmt.Fprintln(a.out)
					}
					a.showVetted(v)
				}
			}
			if end != nil {
				return verdict{code: codeOf(end)}
			}
			return nil
		},
	}
	c.Flags().BoolVar(&store, "store", false, "read the files as parts of a store: list what a machine would read, and what would harm it")
	return c
}

type jsonVetted struct {
	File    string            `json:"file"`
	Form    string            `json:"form,omitempty"`
	Refused *root.Refusal     `json:"refused,omitempty"`
	Error   string            `json:"error,omitempty"`
	Notes   []string          `json:"notes,omitempty"`
	Certs   []jsonCertificate `json:"certificates,omitempty"`
	Faults  []root.Fault      `json:"faults,omitempty"`
	Family  []root.Kinship    `json:"family,omitempty"`
}

type jsonCertificate struct {
	SHA256     root.Fingerprint `json:"sha256"`
	Role       root.Role        `json:"role"`
	Subject    string           `json:"subject"`
	Issuer     string           `json:"issuer"`
	Serial     string           `json:"serial"`
	From       time.Time        `json:"not_before"`
	Until      time.Time        `json:"not_after"`
	Copies     int              `json:"copies,omitempty"`
	Alias      string           `json:"alias,omitempty"`
	Refused    *root.Refusal    `json:"refused,omitempty"`
	Findings   []root.Finding   `json:"findings,omitempty"`
	Vouches    []string         `json:"vouches_for,omitempty"`
	Receptions []root.Reception `json:"libraries,omitempty"`
}

// vetFile reads and judges one file. The error carries the exit code only:
// what is wrong is in the result.
func (a *app) vetFile(name string, store bool) (jsonVetted, error) {
	v := jsonVetted{File: name}
	f, err := os.Open(name)
	if err != nil {
		v.Error = err.Error()
		return v, verdict{code: exitUnknown}
	}
	defer f.Close()
	if store {
		return a.scanFile(v, f)
	}
	file, err := root.ReadFrom(f)
	v.Form, v.Notes = file.Form, file.Notes
	if err != nil {
		if !errors.As(err, &v.Refused) {
			v.Error = err.Error()
		}
		return v, verdict{code: exitWrong}
	}
	wrong := len(file.Roots()) == 0
	for i, item := range file.Items {
		c := certificate(item.Cert, item.Role)
		c.Copies, c.Refused = item.Copies, item.Refused
		if item.Refused == nil {
			c.Findings = root.Vet(item.Cert, a.now(), but(file, i))
			for _, f := range c.Findings {
				wrong = wrong || f.Severity == root.Refuse
			}
			c.Vouches = root.Vouches(item.Cert)
			c.Receptions = root.Receptions(item.Cert)
		}
		v.Certs = append(v.Certs, c)
	}
	v.Family = root.Family(certificates(file))
	if wrong {
		return v, verdict{code: exitWrong}
	}
	return v, nil
}

func (a *app) scanFile(v jsonVetted, f io.Reader) (jsonVetted, error) {
	data, err := io.ReadAll(io.LimitReader(f, maxStoreFile+1))
	if err == nil && len(data) > maxStoreFile {
		err = fmt.Errorf("larger than %d bytes", maxStoreFile)
	}
	if err != nil {
		v.Error = err.Error()
		return v, verdict{code: exitUnknown}
	}
	v.Form = "store"
	blocks, faults := root.Scan(data)
	v.Faults = faults
	for _, b := range blocks {
		cert, err := root.Parse(b.DER)
		if err != nil {
			v.Faults = append(v.Faults, root.Fault{Code: "not-der", What: err.Error()})
			continue
		}
		c := certificate(cert, cert.Role())
		c.Alias = b.Alias
		if cert.X509Err != nil || a.now().After(cert.NotAfter) { // the rest is as fit as its vendor judged
			c.Findings = root.Vet(cert, a.now(), nil)
		}
		v.Certs = append(v.Certs, c)
	}
	if len(faults) > 0 {
		return v, verdict{code: exitWrong}
	}
	return v, nil
}

func certificate(c *root.Certificate, role root.Role) jsonCertificate {
	return jsonCertificate{SHA256: c.Fingerprint(), Role: role, Subject: c.SubjectText(), Issuer: c.IssuerText(),
		Serial: c.Serial.Text(16), From: c.NotBefore, Until: c.NotAfter}
}

func certificates(f root.File) []*root.Certificate {
	var all []*root.Certificate
	for _, i := range f.Items {
		all = append(all, i.Cert)
	}
	return all
}

func but(f root.File, i int) []*root.Certificate {
	all := certificates(f)
	return append(all[:i:i], all[i+1:]...)
}

func (a *app) showVetted(v jsonVetted) {
	w, colour := a.out, a.colour()
	fmt.Fprintf(w, "%s%s\n", v.File, form(v.Form))
	if v.Error != "" {
		remark{"why", v.Error}.write(w, colour)
	}
	if v.Refused != nil {
		a.showRefusal(v.Refused)
	}
	for _, n := range v.Notes {
		remark{"note", n}.write(w, colour)
	}
	for _, f := range v.Faults {
		where := ""
		if f.Line > 0 {
			where = fmt.Sprintf("line %d: ", f.Line)
		}
		remark{"why", fmt.Sprintf("%s%s%s [%s]", where, f.What, harm(f.Harm), f.Code)}.write(w, colour)
	}
	if v.Form == "store" {
		a.showList(v)
		return
	}
	for _, c := range v.Certs {
		a.showCertificate(c)
	}
	for _, k := range v.Family {
		fmt.Fprintf(w, "\n  family  %s and %s: %s\n", k.A.Short(), k.B.Short(), k.Text)
	}
}

func (a *app) showList(v jsonVetted) {
	for _, c := range v.Certs {
		fmt.Fprintf(a.out, "  %s  %s\n", c.SHA256, c.Subject)
		a.showFindings(c.Findings)
	}
	fmt.Fprintf(a.out, "  %s\n", count(len(v.Certs), "certificate", "certificates"))
}

func (a *app) showCertificate(c jsonCertificate) {
	w := a.out
	fmt.Fprintf(w, "\n  %s\n", c.Subject)
	fmt.Fprintf(w, "  SHA-256     %s\n", c.SHA256)
	fmt.Fprintf(w, "  is          %s", c.Role)
	if c.Role != root.RoleRoot {
		fmt.Fprintf(w, ", issued by %s", c.Issuer)
	}
	fmt.Fprintf(w, "\n  valid       %s to %s\n", c.From.Format(day), c.Until.Format(day))
	if c.Copies > 1 {
		fmt.Fprintf(w, "  copies      %d in this file; it counts once\n", c.Copies)
	}
	if c.Refused != nil {
		a.showRefusal(c.Refused)
		return
	}
	for i, l := range c.Vouches {
		fmt.Fprintf(w, "  %-11s %s\n", map[bool]string{true: "vouches for"}[i == 0], l)
	}
	for _, r := range c.Receptions {
		fmt.Fprintf(w, "  %-11s %s\n", r.Library, reception(r))
	}
	a.showFindings(c.Findings)
}

func (a *app) showFindings(fs []root.Finding) {
	tints := map[root.Severity]tint{root.Refuse: bad, root.Warn: uneasy, root.Note: faint}
	for _, f := range fs {
		fmt.Fprintf(a.out, "  %s %s [%s%s]\n", paint(fmt.Sprintf("%-11s", f.Severity), tints[f.Severity], a.colour()), f.Reason, f.Code, cited(f.Source))
		if f.Severity != root.Note && f.Remedy != "" {
			remark{"next", f.Remedy}.write(a.out, a.colour())
		}
	}
}

func (a *app) showRefusal(r *root.Refusal) {
	fmt.Fprintf(a.out, "  %s %s [%s%s]\n", paint("refused    ", bad, a.colour()), r.Reason, r.Code, cited(r.Source))
	remark{"next", r.Remedy}.write(a.out, a.colour())
}

func reception(r root.Reception) string {
	text := "reads it"
	if !r.Loads {
		text = "cannot use it"
	}
	if len(r.Ignores) > 0 {
		text += ", does not enforce " + strings.Join(r.Ignores, ", ")
	}
	if r.Why != "" {
		text += " (" + r.Why + ")"
	}
	return text
}

func form(f string) string {
	if f == "" {
		return ""
	}
	return "  (" + f + ")"
}

func harm(h string) string {
	if h == "" {
		return ""
	}
	return "; " + h
}

func cited(s string) string {
	if s == "" {
		return ""
	}
	return "; " + s
}
