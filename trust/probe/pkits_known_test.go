package probe_test

// Where crypto/x509, and with it a probe, says something else than the suite.
// On the left of a path that the suite calls valid, a probe is stricter than a
// client that follows RFC 5280 to the letter; on the left of an invalid one it
// is as lax as every client that uses Go.
const (
	revoked    = "invalid by its revocation lists alone: " + noRevocation
	dirName    = "Go knows no directoryName among name constraints and refuses a critical extension that it cannot process (RFC 5280 4.2 wants that)"
	rawNames   = "Go chains names by their bytes, not by comparing them as RFC 5280 7.1 says: another case, white space or string type is another name"
	selfIssued = "Go counts self-issued certificates against a path length (RFC 5280 4.2.1.9 does not)"
	belowHost  = "Go lets a constraint that names one host stand for all below it too (RFC 5280 4.2.1.10 wants a leading period for that)"
	noDSA      = "Go verifies no DSA, which no TLS 1.3 client does (RFC 8446 4.2.3)"
)

var pkitsDisagree = map[string]string{
	"Invalid Basic Self-Issued Old With New Test2":             revoked,
	"Invalid Basic Self-Issued New With Old Test5":             revoked,
	"Invalid Basic Self-Issued CRL Signing Key Test7":          revoked,
	"Invalid keyUsage Critical cRLSign False Test4":            revoked,
	"Invalid keyUsage Not Critical cRLSign False Test5":        revoked,
	"Invalid RFC822 nameConstraints Test24":                    belowHost,
	"Valid RFC822 nameConstraints Test25":                      belowHost,
	"Valid URI nameConstraints Test36":                         belowHost,
	"Valid DN and RFC822 nameConstraints Test27":               dirName,
	"Valid DN nameConstraints Test1":                           dirName,
	"Valid DN nameConstraints Test4":                           dirName,
	"Valid DN nameConstraints Test5":                           dirName,
	"Valid DN nameConstraints Test6":                           dirName,
	"Valid DN nameConstraints Test11":                          dirName,
	"Valid DN nameConstraints Test14":                          dirName,
	"Valid DN nameConstraints Test18":                          dirName,
	"Valid Self-Issued DN nameConstraints Test19":              dirName,
	"Valid DSA Signatures Test4":                               noDSA,
	"Valid DSA Parameter Inheritance Test 5":                   noDSA,
	"Valid Name Chaining Capitalization Test5":                 rawNames,
	"Valid Name Chaining Whitespace Test3":                     rawNames,
	"Valid Name Chaining Whitespace Test4":                     rawNames,
	"Valid Rollover from PrintableString to UTF8String Test10": rawNames,
	"Valid UTF8String Case Insensitive Match Test11":           rawNames,
	"Valid Self-Issued pathLenConstraint Test15":               selfIssued,
	"Valid Self-Issued pathLenConstraint Test17":               selfIssued,
}
