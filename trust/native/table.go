package native

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"runtime"
	"slices"
	"strings"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/host"
)

// family is one kind of operating system whose store is served.
type family struct {
	name  string
	ids   []string                          // of os-release(5), ID or ID_LIKE
	fits  func(h *host.Host) (bool, string) // whether its tool behaves as it should, and what was found
	store func(h *host.Host) trust.Store
}

// families are all that are served. A system that fits none is refused.
var families = []family{
	{"debian", []string{"debian", "ubuntu"}, debianTool, func(h *host.Host) trust.Store { return NewDebian(h) }},
}

// elsewhere are systems where writing into a trust store is wrong whatever
// folders are there, by their ID, with what is right there.
var elsewhere = map[string]string{
	"nixos":        "declare the root in security.pki.certificateFiles of the system's configuration",
	"bottlerocket": "set settings.pki through the host's API",
	"talos":        "add a TrustedRootsConfig document to the machine's configuration",
	"flatcar":      "its store has rules of its own, which are not served yet",
}

// Unserved says that no adapter fits a system, and what was found there.
type Unserved struct {
	Found []string // what was looked at, in words
	Hint  string   // where a general-purpose library would look; may be empty
}

func (u *Unserved) Error() string {
	text := "cannot tell which trust store this system has: " + strings.Join(u.Found, "; ")
	if u.Hint != "" {
		text += "\nhint: " + u.Hint
	}
	return text
}

// Detect returns the stores of a host, judged by what the system calls itself
// and by what its own tool does, never by folders alone: those are left behind
// by installers and old releases. Where nothing fits, or more than one family,
// the error is an *[Unserved].
func Detect(ctx context.Context, h *host.Host) ([]trust.Store, error) {
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("cannot look for trust stores: %w", err)
	}
	if s, ok := platformStore(); ok && h.Live() {
		return []trust.Store{s}, nil
	}
	ids, err := systemIDs(h)
	if err != nil {
		return nil, refuse(h, fmt.Sprintf("%v (%s)", err, runtime.GOOS))
	}
	found := []string{"it calls itself " + strings.Join(ids, ", ")}
	if _, err := h.Stat("/run/ostree-booted"); err == nil {
		return nil, refuse(h, append(found, "it is an image-based system (/run/ostree-booted), which is not served yet")...)
	}
	for _, id := range ids {
		if advice, ok := elsewhere[id]; ok {
			return nil, refuse(h, append(found, advice)...)
		}
	}
	var fitting []family
	for _, f := range families {
		if !slices.ContainsFunc(f.ids, func(id string) bool { return slices.Contains(ids, id) }) {
			continue
		}
		ok, what := f.fits(h)
		found = append(found, what)
		if ok {
			fitting = append(fitting, f)
		}
	}
	switch {
	case len(fitting) == 1:
		return []trust.Store{fitting[0].store(h)}, nil
	case len(found) == 1:
		names := make([]string, len(families))
		for i, f := range families {
			names[i] = f.name
		}
		found = append(found, "served are "+strings.Join(names, ", ")+" and what names itself like them")
	}
	return nil, refuse(h, found...)
}

func refuse(h *host.Host, found ...string) error {
	return &Unserved{Found: found, Hint: hint(h)}
}

// maxRelease bounds os-release.
const maxRelease = 64 << 10

// systemIDs returns ID and the words of ID_LIKE of os-release(5).
func systemIDs(h *host.Host) ([]string, error) {
	var data []byte
	var err error
	for _, name := range []string{"/etc/os-release", "/usr/lib/os-release"} {
		if data, err = h.ReadFile(name, maxRelease); err == nil {
			break
		}
	}
	if errors.Is(err, fs.ErrNotExist) {
		return nil, errors.New("there is no os-release file")
	}
	if err != nil {
		return nil, err
	}
	var ids []string
	for line := range strings.Lines(string(data)) {
		key, value, _ := strings.Cut(strings.TrimSpace(line), "=")
		if key == "ID" || key == "ID_LIKE" {
			for _, id := range strings.Fields(strings.ToLower(strings.Trim(value, `"'`))) {
				if !slices.Contains(ids, id) {
					ids = append(ids, id)
				}
			}
		}
	}
	if len(ids) == 0 {
		return nil, errors.New("its os-release file has no ID")
	}
	for _, id := range ids {
		if strings.Trim(id, "abcdefghijklmnopqrstuvwxyz0123456789._-") != "" {
			return nil, fmt.Errorf("its os-release file has an ID of other characters than os-release(5) allows: %q", id)
		}
	}
	return ids, nil
}

// maxTool bounds what is read of a refresh tool.
const maxTool = 1 << 20

// debianTool judges update-ca-certificates: Debian's is a shell script with
// options to build elsewhere. openSUSE's and Alpine's have the same name and
// ignore them.
func debianTool(h *host.Host) (bool, string) {
	d := NewDebian(h)
	data, err := h.ReadFile(d.Tool, maxTool)
	if err != nil {
		return false, fmt.Sprintf("the platform's refresh cannot be read: %v; install ca-certificates", err)
	}
	text := string(data)
	if !strings.HasPrefix(text, "#!") {
		return false, d.Tool + " is no script, as Debian's is"
	}
	for _, option := range buildOptions {
		if !strings.Contains(text, option) {
			return false, d.Tool + " does not know the option " + option + ", as Debian's does"
		}
	}
	return true, d.Tool + " is Debian's"
}
