package probe

import (
	"crypto/tls"
	"fmt"
	"net/netip"

	"anchorhold.test/anchorhold/trust"
)

// Gathered is what one target really served, before anybody judged it.
type Gathered struct {
	Target trust.Target
	Asked  string       // the name that was looked up, in ASCII; empty for an address
	Unmade string       // why nobody could be asked at all: no name, no address
	Passed []netip.Addr // addresses beyond MaxAddresses
	Ends   []End
}

// End is what one address of a target served.
type End struct {
	Remote  netip.AddrPort
	Reverse *Reverse // nil where nobody looked

	Chain    [][]byte // DER as sent, leaf first
	Version  uint16   // of TLS, 0 where none was agreed on
	Suite    uint16   // where only cipher suites would do that clients have left out by now
	Demanded bool     // it asks for a certificate of the client

	Stop    Stop   // how it ended, Done where the handshake was finished
	Why     string // in words: foreign parts are made safe to show
	Partial bool   // the chain was read although the handshake could not be finished
}

// Reverse is what DNS says of an address.
type Reverse struct {
	Names []string // made safe to show
	None  bool     // there is no name; false and no names: could not be told
}

// Stop is how asking one address ended.
type Stop string

// The ends of asking.
const (
	Done      Stop = ""
	NoRoute   Stop = "no route"   // this host cannot reach addresses of that kind
	Unreached Stop = "unreached"  // refused, or no answer to the connection
	Stalled   Stop = "stalled"    // connected, and no whole handshake within the limit
	Closed    Stop = "closed"     // ended or reset before it said anything
	Plain     Stop = "plain"      // speaks something else than TLS
	NoUpgrade Stop = "no upgrade" // would not begin TLS when asked by STARTTLS
	Alerted   Stop = "alerted"    // speaks TLS and ended it with an alert
	Flooded   Stop = "flooded"    // sent more than MaxHandshake bytes
	Broken    Stop = "broken"     // speaks TLS, and the handshake could not be finished
)

// versionText names a version of TLS for people, or "".
func versionText(v uint16) string {
	switch v {
	case 0:
		return ""
	case tls.VersionTLS10, tls.VersionTLS11, tls.VersionTLS12, tls.VersionTLS13:
		return tls.VersionName(v)
	}
	return fmt.Sprintf("0x%04x", v)
}
