package main

import (
	"crypto/tls"
	"io"
	"log"
	"net"
	"net/http"
	"testing"
	"time"
)

// answers serves HTTP at an address of loopback until the test ends, by TLS
// where there is a configuration, and returns the address.
func answers(t *testing.T, at string, config *tls.Config) string {
	t.Helper()
	l, err := net.Listen("tcp", at)
	if err != nil {
		t.Fatal(err)
	}
	if config != nil {
		l = tls.NewListener(l, config)
	}
	s := &http.Server{ReadTimeout: time.Minute, ErrorLog: log.New(io.Discard, "", 0)}
	go s.Serve(l)
	t.Cleanup(func() { s.Close() })
	return l.Addr().String()
}
