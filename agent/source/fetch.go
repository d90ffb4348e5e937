package source

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"time"
)

// Bounds of one exchange beside its [Limits].
const (
	maxRedirects   = 3
	maxHeaders     = 16 << 10 // bytes of an answer's header
	dialTimeout    = 15 * time.Second
	shakeTimeout   = 15 * time.Second
	headerTimeout  = 30 * time.Second
	userAgent      = "anchorhold" // without a version: it would tell who lags behind
	identityCoding = "identity"
)

var errTotal = errors.New("no end within the time limit")

// Fetch asks the source from this process, which is what the child does. It
// makes at most two attempts: where TLS cannot tell who the source is, the
// second one does not ask for that, since the signature judges what comes.
func Fetch(ctx context.Context, q Question) Answer {
	ctx, cancel := context.WithTimeoutCause(ctx, q.Limits.Total, errTotal)
	defer cancel()
	ctx, callOff := context.WithCancelCause(ctx)
	defer callOff(nil)
	a, err := exchange(ctx, q, false, callOff)
	var doubt *tls.CertificateVerificationError
	if errors.As(err, &doubt) {
		why := doubtful(doubt)
		a, err = exchange(ctx, q, true, callOff)
		a.Unverified = why
	}
	if err != nil {
		a.Outcome, a.Code, a.Reason = Failed, blame(ctx, err), err.Error()
		if cause := context.Cause(ctx); cause != nil {
			a.Reason = cause.Error()
		}
	}
	return a
}

// exchange is one attempt, redirects included.
func exchange(ctx context.Context, q Question, blind bool, callOff context.CancelCauseFunc) (Answer, error) {
	u, err := Address(q.URL)
	if err != nil {
		return Answer{}, err
	}
	t, err := transport(q, blind)
	if err != nil {
		return Answer{}, err
	}
	defer t.CloseIdleConnections()
	for hops := 0; ; hops++ {
		resp, err := t.RoundTrip(request(ctx, q, u))
		if err != nil {
			return Answer{}, err
		}
		if !redirects(resp.StatusCode) {
			return receive(q, resp, callOff)
		}
		resp.Body.Close() // whatever else it says is not read
		if wait := RetryAfter(resp.Header.Get("Retry-After"), time.Now()); wait > 0 {
			return failed(BadRedirect, wait, "it leads elsewhere, and asks to wait first"), nil
		}
		if hops == maxRedirects {
			return failed(BadRedirect, 0, "it leads elsewhere more than %d times", maxRedirects), nil
		}
		next, err := onward(u, resp.Header.Get("Location"))
		if err != nil {
			return failed(BadRedirect, 0, "it leads elsewhere: %v", err), nil
		}
		u = next
	}
}

func transport(q Question, blind bool) (*http.Transport, error) {
	t := &http.Transport{
		DialContext:            (&net.Dialer{Timeout: dialTimeout, KeepAlive: -1}).DialContext,
		TLSHandshakeTimeout:    shakeTimeout,
		ResponseHeaderTimeout:  headerTimeout,
		MaxResponseHeaderBytes: maxHeaders,
		DisableCompression:     true,
		DisableKeepAlives:      true,
		Protocols:              new(http.Protocols),
		TLSClientConfig:        &tls.Config{MinVersion: tls.VersionTLS12, InsecureSkipVerify: blind}, // what comes is signed, see Fetch
	}
	t.Protocols.SetHTTP1(true)
	if q.CA != "" {
		t.TLSClientConfig.RootCAs = x509.NewCertPool()
		t.TLSClientConfig.RootCAs.AppendCertsFromPEM([]byte(q.CA))
	}
	if q.Proxy != "" {
		proxy, err := ProxyAddress(q.Proxy)
		if err != nil {
			return nil, err
		}
		t.Proxy = http.ProxyURL(proxy)
	}
	return t, nil
}

// request asks for the policy, and says nothing of who asks. It goes through no
// client of net/http, which would bring cookies and say where a redirect came
// from.
func request(ctx context.Context, q Question, u *url.URL) *http.Request {
	h := http.Header{"User-Agent": {userAgent}, "Accept-Encoding": {identityCoding}}
	switch { // RFC 9110 13.1.3: the date is for those without an entity tag
	case q.ETag != "":
		h.Set("If-None-Match", q.ETag)
	case q.Modified != "":
		h.Set("If-Modified-Since", q.Modified)
	}
	if q.Fresh {
		h.Set("Cache-Control", "no-cache")
	}
	r := &http.Request{Method: http.MethodGet, URL: u, Host: u.Host, Header: h, Proto: "HTTP/1.1", ProtoMajor: 1, ProtoMinor: 1}
	return r.WithContext(ctx)
}

func redirects(status int) bool {
	switch status {
	case http.StatusMovedPermanently, http.StatusFound, http.StatusSeeOther, http.StatusTemporaryRedirect, http.StatusPermanentRedirect:
		return true
	}
	return false
}

func onward(from *url.URL, location string) (*url.URL, error) {
	if location == "" {
		return nil, errors.New("it does not say where")
	}
	to, err := from.Parse(location)
	if err != nil {
		return nil, errors.New("the place cannot be read")
	}
	to.Fragment, to.RawFragment = "", ""
	if to, err = Address(to.String()); err != nil {
		return nil, err
	}
	if from.Scheme == "https" && to.Scheme == "http" {
		return nil, errors.New("from https to http")
	}
	return to, nil
}

func failed(code Code, wait time.Duration, format string, args ...any) Answer {
	return Answer{Outcome: Failed, Code: code, Wait: wait, Reason: fmt.Sprintf(format, args...)}
}

// blame sorts the errors of net/http.
func blame(ctx context.Context, err error) Code {
	var op *net.OpError
	var timed net.Error
	switch {
	case context.Cause(ctx) != nil, errors.As(err, &timed) && timed.Timeout():
		return TooSlow
	case errors.As(err, &op), errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return NoAnswer
	}
	return BadAnswer
}

// doubtful says why a certificate does not tell who the source is.
func doubtful(err error) string {
	var unknown x509.UnknownAuthorityError
	var name x509.HostnameError
	var invalid x509.CertificateInvalidError
	switch {
	case errors.As(err, &unknown):
		return "its certificate leads to no root that is trusted for this: " + unknown.Error()
	case errors.As(err, &name):
		return "its certificate is for another name: " + name.Error()
	case errors.As(err, &invalid):
		return "its certificate is not valid: " + invalid.Error()
	}
	return err.Error()
}
