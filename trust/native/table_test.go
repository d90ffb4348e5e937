package native

import (
	"errors"
	"os"
	"strings"
	"testing"

	"anchorhold.test/anchorhold/trust/host"
	"anchorhold.test/anchorhold/trust/trusttest"
)

func TestDetect(t *testing.T) {
	script := "#!/bin/sh -e\nETCCERTSDIR=/etc/ssl/certs # --certsconf --certsdir --localcertsdir --etccertsdir --hooksdir\n"
	for _, c := range []struct {
		name, release, tool, also string
		served                    bool
		says                      string
	}{
		{"debian", "PRETTY_NAME=\"Debian\"\nID=debian\n", script, "", true, ""},
		{"derivative", "ID=harbouros\nID_LIKE=\"ubuntu debian\"\n", script, "", true, ""},
		{"another system with the same folder", "ID=fedora\n", script, "", false, "fedora"},
		{"openSUSE's tool has the same name", "ID=debian\n", "#!/bin/bash\n# hooks\n", "", false, "--certsconf"},
		{"Alpine's tool is a program", "ID=debian\n", "\x7fELF", "", false, "no script"},
		{"no tool", "ID=debian\n", "", "", false, "install ca-certificates"},
		{"image", "ID=debian\n", script, "/run/ostree-booted", false, "image-based"},
		{"declared", "ID=nixos\nID_LIKE=debian\n", script, "", false, "security.pki"},
		{"no release", "", script, "", false, "os-release"},
		{"no ID", "NAME=x\n", script, "", false, "ID"},
		{"odd ID", "ID=\"debian\x1b[31m\"\n", script, "", false, "ID"},
	} {
		h := host.At(t.TempDir())
		for name, content := range map[string]string{"/etc/os-release": c.release, "/usr/sbin/update-ca-certificates": c.tool, c.also: "x"} {
			if name == "" || content == "" {
				continue
			}
			d, err := h.Ensure(name[:strings.LastIndex(name, "/")], 0o755)
			if err != nil {
				t.Fatal(err)
			}
			if err := d.Write(name[strings.LastIndex(name, "/")+1:], []byte(content), 0o755); err != nil {
				t.Fatal(err)
			}
		}
		stores, err := Detect(t.Context(), h)
		var unserved *Unserved
		switch {
		case c.served:
			if err != nil || len(stores) != 1 || stores[0].Capabilities().Family != "debian" {
				t.Errorf("%s: %d stores, %v", c.name, len(stores), err)
			}
		case !errors.As(err, &unserved) || stores != nil:
			t.Errorf("%s: %d stores, %v", c.name, len(stores), err)
		case !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "\x1b"):
			t.Errorf("%s: %v", c.name, err)
		case unserved.Hint != "":
			t.Errorf("%s: a hint about this machine for another tree: %s", c.name, unserved.Hint)
		}
	}
}

// TestHint asks for the hint of this machine, which has one of the folders
// that are asked for, whatever its system is.
func TestHint(t *testing.T) {
	if _, err := os.Stat("/usr/local/share/ca-certificates"); err != nil {
		trusttest.Lacking(t, "/usr/local/share/ca-certificates")
	}
	if got := refuse(host.System(), "a test").Error(); !strings.Contains(got, "\nhint: ") || !strings.Contains(got, "/usr/local/share/ca-certificates") {
		t.Errorf("%s", got)
	}
}
