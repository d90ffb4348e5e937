package probe

import "anchorhold.test/anchorhold/trust/root"

// Words that several kinds share.
const (
	seeWarning  = "every program that checks certificates refuses the connection, browsers with a full-page warning"
	askOwner    = "ask whoever runs the service"
	nextReissue = "have a new certificate issued and installed"
	strictOnly  = "programs that check strictly refuse it: Python 3.13 and later, OpenSSL with X509_STRICT; others take it"
)

var reachKinds = map[string]kind{
	codeName:         {root.Refuse, "nobody can connect by this name", "type the name as it stands in DNS", "RFC 1035 2.3.4, RFC 5891 5"},
	codeNotFound:     {root.Refuse, "nobody on this host can connect by this name", "add an A or AAAA record, or ask by a name that has one; one name everywhere, in DNS, in the certificate and in what people type, saves the next question", "RFC 1035 3.4.1, common practice"},
	codeManyAddrs:    {root.Note, "", "ask the others one by one, with --name", ""},
	codeDiffer:       {root.Warn, "the same name works or fails by chance, depending on the address that a program picks", "install the same certificate behind every address", "common practice"},
	codeNoRoute:      {root.Note, "nobody on this host uses that address; hosts with such a network do", "ask from a host that has such a network", "RFC 6555 1"},
	codeReverse:      {root.Note, "nothing: TLS never asks for it", "one name everywhere is common practice; logs and some mail servers look at it", "common practice, no standard of TLS"},
	codeIDN:          {root.Note, "", "", "RFC 5890 2.3.2.1, RFC 9525 6.3"},
	codeSilent:       {root.Refuse, "connections hang or end without a certificate", "see that the service runs, listens there and is let through by firewalls; nothing is known of its certificate", ""},
	codeNotTLS:       {root.Refuse, "programs that expect TLS there cannot connect", "give the port that speaks TLS, or --starttls smtp or ldap where TLS begins later", "RFC 8446 5.1"},
	codeNoUpgrade:    {root.Refuse, "programs that insist on TLS cannot connect; others go on without protection", "turn TLS on in the service, or give the port that speaks TLS from the first byte", "RFC 3207 4, RFC 4511 4.14"},
	codeHandshake:    {root.Refuse, "programs fail to connect, before any certificate is judged", askOwner + ": the service's own log has the other half of the story", "RFC 8446 6.2"},
	codeFlood:        {root.Refuse, "programs fail to connect", "see what is configured as its chain: a handshake is a few kilobytes", "RFC 8446 4.4.2"},
	codeVersion:      {root.Refuse, "today's programs refuse to connect: they want TLS 1.2 at least", "turn on TLS 1.2 and 1.3 in the service, and turn the older ones off", "RFC 8996 4, 5"},
	codeSuite:        {root.Warn, "programs that leave outdated ciphers out cannot connect, Go's among them", "turn on ECDHE with AES-GCM or ChaCha20 in the service", "RFC 9325 4.1, 4.2"},
	codeClientCert:   {root.Note, "whoever has no certificate of his own may be turned away", "the service's own part was judged; whether clients' certificates are taken, was not", "RFC 8446 4.3.2"},
	codeUnparsable:   {root.Refuse, "Go programs cannot connect; others may", nextReissue + ", without the fault; tell the CA, since it will issue more like it", "RFC 5280 4.1, measured: crypto/x509"},
	codeUnparsableCA: {root.Refuse, "Go programs cannot connect, for they read every certificate of a chain; others may", "replace it in the service's chain by one without the fault", "RFC 5280 4.1, measured: crypto/x509"},
}

var nameKinds = map[string]kind{
	codeNoSAN:        {root.Refuse, "browsers, Go, curl and Java refuse it for every name; some programs on OpenSSL still take the common name", nextReissue + " with every name that clients use as subjectAltName: DNS names, and addresses as IP", "RFC 9525 2, 6.3; RFC 9110 4.3.4"},
	codeMismatch:     {root.Refuse, seeWarning, "have clients use a name that the certificate has, or have it issued anew with this one", "RFC 9525 6.3"},
	codeShort:        {root.Refuse, seeWarning + "; the long name works", "have clients use the long name; a short one means another machine in every network", "RFC 9525 6.3, common practice"},
	codeIPAsDNS:      {root.Refuse, "most programs refuse it: an address written as a DNS name does not count", nextReissue + " with the address as iPAddress", "RFC 9525 6.4"},
	codeWildcard:     {root.Refuse, seeWarning, "a wildcard stands for exactly one label; have the name itself added", "RFC 9525 6.3"},
	codeWildcardForm: {root.Warn, "most programs pass such a name over", "write the names out, or use a wildcard as the whole left-most label", "RFC 9525 6.3"},
	codeWildcardWide: {root.Warn, "it stands for every name below a top-level domain; some programs refuse it", "have it issued for the organisation's own domain", "common practice"},
}

var dateKinds = map[string]kind{
	codeExpired:     {root.Refuse, seeWarning, nextReissue + " today", "RFC 5280 4.1.2.5"},
	codeNotYet:      {root.Refuse, seeWarning, "compare this host's clock with another; if it is right, wait, or have the certificate issued with an earlier start", "RFC 5280 4.1.2.5"},
	codeSoon:        {root.Warn, "nothing yet; from that day on every program refuses it", "renew it now, and have renewal done by a machine", "common practice: a third of the lifetime, at least 7 days"},
	codeCAExpired:   {root.Refuse, seeWarning, "install the renewed issuing CA's certificate in the service's chain", "RFC 5280 6.1.3"},
	codeCANotYet:    {root.Refuse, seeWarning, "compare this host's clock with another", "RFC 5280 6.1.3"},
	codeCASoon:      {root.Warn, "nothing yet; from that day on every program refuses the service's certificate", "ask the CA for its renewed certificate and install it in the service's chain", "common practice"},
	codeRootExpired: {root.Refuse, "Go, OpenSSL and GnuTLS refuse it; Java does not look at a root's dates", "move the service to a root that lasts, or have the renewed root placed by the policy", "RFC 5280 6.1.1, measured"},
	codeRootNotYet:  {root.Refuse, "Go, OpenSSL and GnuTLS refuse it", "compare this host's clock with another", "RFC 5280 6.1.1, measured"},
	codeRootSoon:    {root.Warn, "nothing yet; from that day on most programs refuse every certificate below this root", "plan the next root now: place it everywhere, then move services one by one", "common practice"},
	codeLong:        {root.Warn, "Apple's systems refuse it, private roots included", "have certificates issued for 398 days or less", "Apple's requirements since 2019, from memory: at most 825 days"},
}

var chainKinds = map[string]kind{
	codeMissing:     {root.Refuse, "Go, OpenSSL and Java refuse it; browsers and Windows may fetch what is missing and show nothing", "have the service send the issuing CA's certificate behind its own; if that name is a root's, have the policy place the root", "RFC 8446 4.4.2, RFC 5246 7.4.2"},
	codeUnknown:     {root.Refuse, seeWarning, "ask whose root it is; if it is your organisation's, have it vetted and named in the policy; never trust a root because a service sent it", "RFC 5280 6.1"},
	codeNotHere:     {root.Refuse, "every program of this host that uses the machine's store refuses it", "see 'anchorhold verify' and 'anchorhold preview': the policy knows this root, this host's store does not hold it", "RFC 5280 6.1"},
	codeOtherKey:    {root.Refuse, seeWarning, "two roots share a name: compare their SHA-256 with the CA, and have the right one named in the policy", "RFC 5280 6.1, 6.1.3"},
	codeSelfSigned:  {root.Refuse, seeWarning, "have a certificate issued by your CA; placing this one as a root would trust whoever has the service's key", "RFC 5280 6.1"},
	codeCALeaf:      {root.Warn, "Firefox and other strict programs refuse a CA's certificate as a server's", nextReissue + " that is no CA's", "RFC 5280 4.2.1.9, from memory: mozilla::pkix"},
	codeOrder:       {root.Warn, "most programs sort it out; old ones fail", "put the service's own certificate first, then each issuer behind what it issued", "RFC 5246 7.4.2"},
	codeRootSent:    {root.Note, "nothing: programs use their own copy", "leave the root out of the service's chain, it only costs bytes", "RFC 8446 4.4.2"},
	codeTwin:        {root.Warn, "some programs stumble over the older twin and tell of an expired certificate", "take the old certificate out of the service's chain", "common practice"},
	codeExtra:       {root.Warn, "nothing, as a rule", "take it out of the service's chain", "RFC 5246 7.4.2"},
	codeTooLong:     {root.Warn, "programs with lower bounds refuse it", "send the service's own certificate and its issuers, no bundle", "common practice"},
	codeHuge:        {root.Warn, "programs on OpenSSL refuse more than 100 kB of certificates, Go more than 256 KiB", "send the service's own certificate and its issuers, no bundle", "from memory: SSL_CTX_set_max_cert_list(3)"},
	codeNameLimit:   {root.Refuse, "programs that keep to a CA's limits refuse it; Java passes limits over that stand in the root itself", "have the certificate issued by a CA that may issue for this name", "RFC 5280 4.2.1.10"},
	codePathLength:  {root.Refuse, "most programs refuse it", "have the certificate issued by a CA that stands less deep", "RFC 5280 4.2.1.9"},
	codeNotCA:       {root.Refuse, seeWarning, "have the certificate issued by a CA: what signed it may not sign", "RFC 5280 4.2.1.3, 4.2.1.9"},
	codeCritical:    {root.Refuse, "Go, OpenSSL and GnuTLS refuse it", nextReissue + " without that extension", "RFC 5280 4.2"},
	codeRefused:     {root.Refuse, "Go programs refuse it", askOwner, "crypto/x509"},
	codeAnchorLimit: {root.Note, "", "where the limits are meant to hold, have the issuing CA's certificate carry them too", "RFC 5280 6.2, measured"},
}

var strengthKinds = map[string]kind{
	codeWeakKey:    {root.Refuse, "programs on OpenSSL as Debian sets it, Apple's systems and browsers refuse it", nextReissue + " with a new key: P-256, or RSA with 2048 bits or more", "NIST SP 800-131A r2 3"},
	codeWeakCA:     {root.Refuse, "programs on OpenSSL as Debian sets it refuse it", "have certificates issued by a CA with a key of 2048 bits or more", "NIST SP 800-131A r2 3"},
	codeSignature:  {root.Refuse, seeWarning, nextReissue + " with SHA-256 or better", "RFC 9155, NIST SP 800-131A r2 9"},
	codePurpose:    {root.Refuse, seeWarning, nextReissue + " for servers (extended key usage serverAuth)", "RFC 5280 4.2.1.12"},
	codePurposeCA:  {root.Refuse, "Go, OpenSSL and Windows refuse it", "have it issued by a CA whose extended key usage, if it has one, names serverAuth", "RFC 5280 4.2.1.12, common practice"},
	codeIdentifier: {root.Refuse, "programs on OpenSSL, GnuTLS, NSS and Java find no issuer and refuse it; Go programs connect", "a root that is renewed with its key keeps its key identifier: have it renewed so, or have the certificates below it issued anew", "RFC 5280 4.2.1.1, measured"},
	codeNoAKI:      {root.Warn, strictOnly, nextReissue + " with an authority key identifier", "RFC 5280 4.2.1.1, measured"},
	codeUnchecked:  {root.Note, "", "whether the CA revoked it was not asked", "RFC 5280 6.3"},
}

var fileKinds = map[string]kind{
	codeFileForm:    {root.Warn, "most services start with PEM alone", "write the chain as PEM: the service's own certificate first, then its issuers", "RFC 7468 5"},
	codeFileFault:   {root.Warn, "the service may read less of the file than you see in it", "write the file anew as plain PEM", "RFC 7468 3"},
	codeKeyOther:    {root.Refuse, "the service does not start, or every connection fails", "find the key with which the certificate was asked for, or have a new one issued for this key", "RFC 8446 4.4.3"},
	codeKeyUnread:   {root.Refuse, "the service does not start", "give the private key as PEM", "RFC 5958, RFC 7468 10"},
	codeKeyChecked:  {root.Note, "", "", ""},
	codeKeyLocked:   {root.Note, "", "whether it belongs to the certificate was not checked: compare the public keys with openssl", "RFC 7468 11"},
	codeLeafNotHead: {root.Refuse, "the service sends the wrong certificate as its own, or does not start", "put the service's own certificate first in the file", "RFC 5246 7.4.2"},
}

// kinds joins the tables.
var kinds = func() map[string]kind {
	all := map[string]kind{}
	for _, m := range []map[string]kind{reachKinds, nameKinds, dateKinds, chainKinds, strengthKinds, fileKinds} {
		for code, k := range m {
			all[code] = k
		}
	}
	return all
}()
