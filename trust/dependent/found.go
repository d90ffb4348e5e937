package dependent

import (
	"time"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// File is one certificate of a server that lies on this host.
type File struct {
	Server string `json:"server,omitempty"` // "nginx"; empty: found in a folder
	Config string `json:"config,omitempty"` // the file that names it
	Line   int    `json:"line,omitempty"`
	Path   string `json:"path"` // with "#alias" for an entry of a key store

	Leaf    trust.ServedCertificate `json:"leaf"`
	Anchors []root.Fingerprint      `json:"anchors"` // roots each of which alone carries it
	// Short says that the file lacks an issuing CA's certificate, which lies in
	// another file: programs that fetch or know it see these anchors.
	Short bool `json:"short,omitempty"`
	// Ended says that the certificate has expired. Its anchors are those of its
	// last minute.
	Ended bool `json:"ended,omitempty"`
}

// Reason is why something was not inspected.
type Reason string

// The reasons. A certificate may hide behind each but Missing.
const (
	Forbidden   Reason = "forbidden"    // this account may not read it
	Missing     Reason = "missing"      // it is named and is not there
	NotFollowed Reason = "not followed" // a name that only the server itself can work out
	NotRead     Reason = "not read"     // of a form that is not read, or torn
	TooMuch     Reason = "too much"     // beyond a bound
)

// Unread is something that was not inspected.
type Unread struct {
	Server string `json:"server,omitempty"`
	Config string `json:"config,omitempty"`
	Line   int    `json:"line,omitempty"`
	Path   string `json:"path"`
	Reason Reason `json:"reason"`
	Why    string `json:"why"`
}

// Answer is all that was found on a host.
type Answer struct {
	Files  []File   `json:"files"`
	Unread []Unread `json:"unread"`
}

// Question is what is looked for.
type Question struct {
	Roots   []trust.Root `json:"roots"`             // those that may be anchors
	Folders []string     `json:"folders,omitempty"` // to look through besides
	At      time.Time    `json:"at"`
}

// Bounds of one search.
const (
	maxConfig   = 1 << 20   // bytes of one configuration
	maxHolder   = 4 << 20   // bytes of one file with certificates
	maxBytes    = 256 << 20 // of all files together
	maxFiles    = 20_000    // files that are opened
	maxDepth    = 16        // configurations that take each other in
	maxNames    = 10_000    // entries of one folder
	maxUnread   = 500
	maxFound    = 2_000 // certificates of servers
	maxBetween  = 2_000 // certificates of issuing CAs
	maxLeadings = 20    // of these that are added to one chain

	// MaxFolders bounds the folders of a question.
	MaxFolders = 100
)

// Limit is how long a search may take.
const Limit = 30 * time.Second
