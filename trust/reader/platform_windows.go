package reader

import (
	"bytes"
	"crypto/x509"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"time"
	"unsafe"

	"golang.org/x/sys/windows"

	"anchorhold.test/anchorhold/trust"
	"anchorhold.test/anchorhold/trust/root"
)

// What golang.org/x/sys/windows lacks (wincrypt.h).
const (
	machineEngine   = windows.Handle(1) // HCCE_LOCAL_MACHINE: what an account put into its own store counts for nothing
	noFetching      = 0x4               // CERT_CHAIN_CACHE_ONLY_URL_RETRIEVAL
	certEncoding    = windows.X509_ASN_ENCODING | windows.PKCS_7_ASN_ENCODING
	readExisting    = windows.CERT_SYSTEM_STORE_LOCAL_MACHINE | windows.CERT_STORE_READONLY_FLAG | windows.CERT_STORE_OPEN_EXISTING_FLAG
	maxChain        = 32
	memoryProvider  = windows.CERT_STORE_PROV_MEMORY
	unknownRevoking = windows.CERT_TRUST_REVOCATION_STATUS_UNKNOWN | windows.CERT_TRUST_IS_OFFLINE_REVOCATION
)

// engineSays are the words of what the engine finds wrong, worst first.
var engineSays = []struct {
	bit  uint32
	what string
}{
	{0x04000000, "it is distrusted"},
	{windows.CERT_TRUST_IS_NOT_SIGNATURE_VALID, "a signature is wrong"},
	{windows.CERT_TRUST_IS_UNTRUSTED_ROOT, "its root is not trusted by the machine"},
	{windows.CERT_TRUST_IS_PARTIAL_CHAIN, "no root of the machine is above it"},
	{windows.CERT_TRUST_IS_NOT_TIME_VALID, "a date is past or not yet come"},
	{windows.CERT_TRUST_IS_NOT_VALID_FOR_USAGE, "it is not for that purpose"},
}

// askPlatform has the chain engine of the machine judge a claim in this
// process, which must be a fresh one: an engine keeps the roots that it found
// first for as long as its process lives (measured with Wine 8).
func askPlatform(c trust.Claim) (by string, err error) {
	there, err := holds("Root", c.Root.Fingerprint)
	if err != nil {
		return "", err
	}
	refused, err := holds("Disallowed", c.Root.Fingerprint)
	if err != nil && !errors.Is(err, windows.ERROR_FILE_NOT_FOUND) {
		return "", err
	}
	if c.Gone {
		return "absence", stillThere(c, there, refused)
	}
	if !there {
		return "", errors.New("it does not find the root")
	}
	if refused {
		return "", errors.New("the machine's list of untrusted certificates refuses the root")
	}
	chain, by, err := sample(c)
	if err != nil {
		return "", err
	}
	top, err := judged(chain, at(c, chain[0]))
	if err != nil {
		return "", fmt.Errorf("cannot validate %s: %w", by, err)
	}
	want, err := x509.ParseCertificate(c.Root.DER)
	if err != nil {
		return "", err
	}
	// A twin of the same name and key carries whatever the root carries.
	if !bytes.Equal(top.RawSubject, want.RawSubject) || !bytes.Equal(top.RawSubjectPublicKeyInfo, want.RawSubjectPublicKeyInfo) {
		return "", fmt.Errorf("%s validates, yet by another root", by)
	}
	return by, nil
}

// stillThere says how a root that should be gone is still of effect.
func stillThere(c trust.Claim, there, refused bool) error {
	if !there {
		return nil
	}
	if !refused {
		return errors.New("it still finds the root")
	}
	cert, err := x509.ParseCertificate(c.Root.DER)
	if err != nil {
		return nil // refused, and nothing that this library could try it with
	}
	if _, err := judged([]*x509.Certificate{cert}, at(c, cert)); err == nil {
		return errors.New("its list of untrusted certificates names the root, and it trusts it all the same")
	}
	return nil
}

func holds(store string, fp root.Fingerprint) (bool, error) {
	all, err := view(store)
	return slices.Contains(all, fp), err
}

// view lists what a store of the machine holds, all physical ones as one.
func view(store string) ([]root.Fingerprint, error) {
	name, err := windows.UTF16PtrFromString(store)
	if err != nil {
		return nil, err
	}
	h, err := windows.CertOpenStore(windows.CERT_STORE_PROV_SYSTEM_W, 0, 0, readExisting, uintptr(unsafe.Pointer(name)))
	if err != nil {
		return nil, fmt.Errorf("cannot open %s: %w", store, err)
	}
	defer windows.CertCloseStore(h, 0)
	var all []root.Fingerprint
	var c *windows.CertContext
	for {
		c, err = windows.CertEnumCertificatesInStore(h, c) // frees the one before
		if errors.Is(err, windows.Errno(windows.CRYPT_E_NOT_FOUND)) || err == nil && c == nil {
			return trust.SortRoots(all), nil
		}
		if err != nil {
			return nil, fmt.Errorf("cannot list %s: %w", store, err)
		}
		if len(all) == MaxEntries {
			windows.CertFreeCertificateContext(c)
			return nil, fmt.Errorf("%s has more than %d certificates", store, MaxEntries)
		}
		all = append(all, root.Of(unsafe.Slice(c.EncodedCert, c.Length)))
	}
}

// listPlatform lists what programs find among the machine's roots.
func listPlatform() ([]root.Fingerprint, error) { return view("Root") }

// judged builds a chain from the first certificate with the machine's engine,
// without a connection, and returns the root that it ends at.
func judged(chain []*x509.Certificate, when time.Time) (*x509.Certificate, error) {
	extra, err := windows.CertOpenStore(memoryProvider, 0, 0, windows.CERT_STORE_DEFER_CLOSE_UNTIL_LAST_FREE_FLAG, 0)
	if err != nil {
		return nil, err
	}
	defer windows.CertCloseStore(extra, 0)
	var leaf *windows.CertContext
	for i, cert := range chain {
		ctx, err := windows.CertCreateCertificateContext(certEncoding, &cert.Raw[0], uint32(len(cert.Raw)))
		if err != nil {
			return nil, err
		}
		defer windows.CertFreeCertificateContext(ctx)
		var out **windows.CertContext
		if i == 0 {
			out = &leaf
		}
		if err := windows.CertAddCertificateContextToStore(extra, ctx, windows.CERT_STORE_ADD_ALWAYS, out); err != nil {
			return nil, err
		}
	}
	defer windows.CertFreeCertificateContext(leaf)
	para := windows.CertChainPara{}
	para.Size = uint32(unsafe.Sizeof(para))
	ft := windows.NsecToFiletime(when.UnixNano())
	var got *windows.CertChainContext
	if err := windows.CertGetCertificateChain(machineEngine, leaf, &ft, extra, &para, noFetching, 0, &got); err != nil {
		return nil, err
	}
	defer windows.CertFreeCertificateChain(got)
	if bad := got.TrustStatus.ErrorStatus &^ unknownRevoking; bad != 0 {
		return nil, told(bad)
	}
	if got.ChainCount == 0 {
		return nil, errors.New("the engine built no chain")
	}
	last := unsafe.Slice(got.Chains, got.ChainCount)[got.ChainCount-1]
	if last.NumElements == 0 || last.NumElements > maxChain {
		return nil, fmt.Errorf("the engine built a chain of %d certificates", last.NumElements)
	}
	c := unsafe.Slice(last.Elements, last.NumElements)[last.NumElements-1].CertContext
	top, err := x509.ParseCertificate(bytes.Clone(unsafe.Slice(c.EncodedCert, c.Length)))
	runtime.KeepAlive(chain)
	return top, err
}

func told(bits uint32) error {
	for _, s := range engineSays {
		if bits&s.bit != 0 {
			return errors.New(s.what)
		}
	}
	return fmt.Errorf("the engine answers %#x", bits)
}
