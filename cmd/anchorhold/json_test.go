package main

import (
	"bytes"
	"encoding/json"
	"io"
	"os"
	"strings"
	"testing"
	"time"

	"anchorhold.test/anchorhold/trust/trusttest"
)

// TestEveryCommandTellsJSON goes the way of a signer with --json: each command
// prints one value with schema and exit code and nothing beside it, whatever
// becomes of it.
func TestEveryCommandTellsJSON(t *testing.T) {
	t.Chdir(t.TempDir())
	for name, data := range map[string][]byte{
		"root.crt": trusttest.NewAuthority(t, "Harbour Root").PEM(),
		"phrase":   []byte("a passphrase\n"),
		"bad.toml": []byte("name = \"harbour\"\nversion = 0\n"),
		"none":     nil,
	} {
		if err := os.WriteFile(name, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		line string
		code int
		want string // a member besides schema and exit
	}{
		{"vet root.crt", exitRight, "files"},
		{"vet none", exitWrong, "files"},
		{"vet missing", exitUnknown, "files"},
		{"keys new --name quay --passphrase-file phrase", exitRight, "id"},
		{"keys new --name tower --no-passphrase", exitRight, "public"},
		{"keys new --name tower --no-passphrase", exitUnknown, "error"},
		{"keys new --policy pier --no-passphrase", exitRight, "keyset"},
		{"keys show quay.pub tower.pub", exitRight, "keys"},
		{"keys show root.crt", exitWrong, "error"},
		{"keyset new --policy harbour --threshold 2 quay.pub tower.pub", exitRight, "keyset"},
		{"keyset new --policy harbour quay.pub", exitUnknown, "error"},
		{"keyset show harbour.keyset", exitRight, "threshold"},
		{"draft new --name harbour --root root.crt", exitRight, "draft"},
		{"draft check", exitRight, "findings"},
		{"draft check bad.toml", exitWrong, "findings"},
		{"sign --keyset harbour.keyset --key quay.key --passphrase-file phrase", exitRight, "needed"},
		{"sign --keyset harbour.keyset --key quay.key --passphrase-file phrase bad.toml", exitWrong, "findings"},
		{"open --keyset harbour.keyset harbour.policy", exitWrong, "document"},
		{"countersign --keyset harbour.keyset --as tower.pub --bytes sign.bin harbour.policy", exitRight, "bytes"},
		{"countersign --keyset harbour.keyset --key tower.key harbour.policy", exitRight, "believed"},
		{"open --keyset harbour.keyset harbour.policy", exitRight, "document"},
		{"draft revert --policy harbour.policy 1", exitRight, "standings_of"},
		{"draft revert --policy harbour.policy 7", exitUnknown, "error"},
		{"starter --keyset harbour.keyset", exitRight, "starter"},
		{"starter --keyset missing", exitUnknown, "error"},
		{"adopt missing", exitUnknown, "error"},
		{"dependents missing", exitUnknown, "error"},
	} {
		var out bytes.Buffer
		a := newApp(stdio{in: strings.NewReader(""), out: &out, err: io.Discard}, time.Now)
		code := a.run(t.Context(), append([]string{"--json"}, strings.Fields(c.line)...))
		var got map[string]any
		if err := json.Unmarshal(out.Bytes(), &got); err != nil {
			t.Errorf("%s: %v in %q", c.line, err, out.String())
			continue
		}
		if code != c.code || got["exit"] != float64(code) || got["schema"] != float64(jsonSchema) || got[c.want] == nil {
			t.Errorf("%s: exit %d, want %d with %q: %v", c.line, code, c.code, c.want, got)
		}
	}
}
