package native

import (
	"fmt"
	"path"
	"strings"

	"github.com/smallstep/truststore"

	"anchorhold.test/anchorhold/trust/host"
)

// hint names the folder and the tool that a general-purpose library would try
// on the running machine. It goes by folders alone, so that it is a hint and
// never a decision. The library says it on Linux only.
func hint(h *host.Host) string {
	if !h.Live() || truststore.SystemTrustFilename == "" {
		return ""
	}
	return fmt.Sprintf("by its folders, roots may belong into %s, refreshed by '%s'",
		path.Dir(truststore.SystemTrustFilename), strings.Join(truststore.SystemTrustCommand, " "))
}
