package main

import (
	"bytes"
	"context"
	"encoding/pem"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/trust/trusttest"
)

// wined is a Windows with the program on it, and the desk of the one signer
// whom it believes.
type wined struct {
	*testing.T
	w    *trusttest.Wine
	exe  string
	desk string
}

// crossed builds a program for Windows.
func crossed(t *testing.T, out, dir string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), buildLimit)
	defer cancel()
	c := exec.CommandContext(ctx, "go", "build", "-trimpath", "-buildvcs=false", "-o", out, ".")
	c.Dir, c.Env = dir, append(os.Environ(), "GOOS=windows", "GOARCH=amd64", "CGO_ENABLED=0")
	if text, err := c.CombinedOutput(); err != nil {
		t.Fatalf("cannot build for Windows: %v\n%s", err, text)
	}
}

func onWindows(t *testing.T) *wined {
	t.Helper()
	h := &wined{T: t, w: trusttest.NewWine(t), desk: t.TempDir(), exe: filepath.Join(t.TempDir(), "anchorhold.exe")}
	crossed(t, h.exe, ".")
	// Settings count where the system keeps them, not where somebody calls.
	write(t, h.path("agent.toml"), "policy = \"C:/elsewhere\"\n", 0o644)
	return h
}

func (h *wined) path(name string) string { return filepath.Join(h.desk, name) }

// run runs the program at the desk.
func (h *wined) run(code int, args ...string) ended {
	h.Helper()
	r := h.w.Run(h.desk, h.exe, args...)
	e := ended{code: r.Code, out: string(r.Stdout), err: string(r.Stderr)}
	if e.code != code {
		h.Fatalf("anchorhold %s: exit %d, want %d\n%s", strings.Join(args, " "), e.code, code, e.all())
	}
	return e
}

func (h *wined) told(code int, args ...string) jsonResult {
	h.Helper()
	return decoded(h.T, h.run(code, append(args, "--json")...))
}

// believe makes a signer at the desk, under Wine as well, and lets the host
// believe it.
func (h *wined) believe() {
	h.Helper()
	h.run(0, "keys", "new", "--policy", "harbour", "--no-passphrase")
	write(h.T, h.path("starter.toml"), h.run(0, "starter").out, 0o644)
	h.run(0, "adopt", "starter.toml")
}

// sign signs a policy and brings it to where the host reads it.
func (h *wined) sign(version string, roots string) {
	h.Helper()
	write(h.T, h.path("draft.toml"), "name = \"harbour\"\nversion = "+version+"\nexpires = \"90d\"\n"+roots, 0o644)
	h.run(0, "draft", "check", "draft.toml")
	h.run(0, "sign", "--key", "harbour.key", "draft.toml")
	h.run(0, "open", "harbour.policy")
	write(h.T, filepath.Join(h.w.Drive(), "ProgramData", "anchorhold", "harbour.policy"), read(h.T, h.path("harbour.policy")), 0o644)
}

// registry returns what lies below a key.
func (h *wined) registry(key string) string {
	h.Helper()
	return string(h.w.Run("/", "reg", "query", key, "/s").Stdout)
}

const (
	userRoots    = `HKCU\Software\Microsoft\SystemCertificates\Root\Certificates`
	machineRoots = `HKLM\Software\Microsoft\SystemCertificates\Root\Certificates`
	refusedRoots = `HKLM\Software\Microsoft\SystemCertificates\Disallowed\Certificates`
)

// plant imports a certificate into the user's own store, as a wizard does.
func (h *wined) plant(name string, der []byte) {
	h.Helper()
	file := h.path(name + ".reg")
	write(h.T, file, regFile(der), 0o644)
	if r := h.w.Run(h.desk, "regedit", "/S", name+".reg"); r.Code != 0 {
		h.Fatalf("regedit: %d", r.Code)
	}
	if !strings.Contains(h.registry(userRoots), thumbprint(der)) {
		h.Fatal("the root is not in the user's store")
	}
}

// dialler is a program of somebody else: it validates a leaf with what Windows
// trusts for whoever runs it.
const dialler = `package main

import (
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"os"
)

func main() {
	data, err := os.ReadFile(os.Args[1])
	if err != nil {
		panic(err)
	}
	b, _ := pem.Decode(data)
	c, err := x509.ParseCertificate(b.Bytes)
	if err == nil {
		_, err = c.Verify(x509.VerifyOptions{})
	}
	fmt.Println("verifies:", err == nil)
}
`

// other builds that program.
func (h *wined) other() (verifies func(leaf []byte) bool) {
	h.Helper()
	dir := h.TempDir()
	write(h.T, filepath.Join(dir, "main.go"), dialler, 0o644)
	write(h.T, filepath.Join(dir, "go.mod"), "module harbour.test/dialler\n\ngo 1.26\n", 0o644)
	crossed(h.T, filepath.Join(dir, "dialler.exe"), dir)
	return func(leaf []byte) bool {
		h.Helper()
		write(h.T, h.path("leaf.pem"), string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: leaf})), 0o644)
		r := h.w.Run(h.desk, filepath.Join(dir, "dialler.exe"), "leaf.pem")
		if !bytes.Contains(r.Stdout, []byte("verifies:")) {
			h.Fatalf("%s%s", r.Stdout, r.Stderr)
		}
		return bytes.Contains(r.Stdout, []byte("verifies: true"))
	}
}
