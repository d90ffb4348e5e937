package probe

import (
	"golang.org/x/crypto/cryptobyte"
)

// Messages of the handshake (RFC 5246 7.4).
const (
	helloServer = 2
	certificate = 11
)

// sniff finds the certificates in what a server sent in a handshake below TLS
// 1.3, where they are not encrypted (RFC 5246 6.2.1, 7.4.2). crypto/tls tells
// none of them when it cannot read one.
func sniff(in []byte) (chain [][]byte, version, suite uint16) {
	hand := cryptobyte.String(handshakes(in))
	for !hand.Empty() {
		var kind uint8
		var body cryptobyte.String
		if !hand.ReadUint8(&kind) || !hand.ReadUint24LengthPrefixed(&body) {
			return
		}
		switch kind {
		case helloServer:
			var session cryptobyte.String
			if !body.ReadUint16(&version) || !body.Skip(32) || !body.ReadUint8LengthPrefixed(&session) || !body.ReadUint16(&suite) {
				return
			}
		case certificate:
			var list, one cryptobyte.String
			if !body.ReadUint24LengthPrefixed(&list) {
				return
			}
			for !list.Empty() && list.ReadUint24LengthPrefixed(&one) {
				chain = append(chain, one)
			}
			return
		}
	}
	return
}

// handshakes joins what the records of the handshake carry, up to the first
// record of another kind.
func handshakes(in []byte) []byte {
	var out []byte
	for s := cryptobyte.String(in); !s.Empty(); {
		var kind uint8
		var version uint16
		var body cryptobyte.String
		if !s.ReadUint8(&kind) || !s.ReadUint16(&version) || !s.ReadUint16LengthPrefixed(&body) || kind != recordHandshake {
			break
		}
		out = append(out, body...)
	}
	return out
}
